"""What a plug-in's display texts tell of a parameter: its choices, its unit, another scale."""

from collections.abc import Iterable, Sequence

from chainweigh.hosts.values import quantity

MAX_CHOICES = 128


def choices_of(texts: Sequence[str], *, numbers_too: bool = False) -> tuple[str, ...]:
    """The texts of all steps where they are names; none where one is a number or empty."""
    are_names = all(t and (numbers_too or quantity(t) is None) for t in texts)
    return tuple(texts) if are_names else ()


def unit_of(shown: Iterable[tuple[str, float]]) -> tuple[str, bool]:
    """Unit the texts of some plain values show, and whether they show other numbers than those."""
    read = [(quantity(text), value) for text, value in shown]
    known = [(found, value) for found, value in read if found]
    units = {found[1] for found, _ in known}
    if len(units) != 1:
        return "", bool(known)
    scaled = any(abs(found[0] - v) > 0.01 * max(1.0, abs(v)) for found, v in known)
    return units.pop(), scaled
