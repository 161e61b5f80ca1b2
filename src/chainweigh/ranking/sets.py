"""The best set of one choice a place: every set where they are few, a beam where they are many."""

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from math import prod

EXHAUSTIVE_SETS = 64
BEAM_WIDTH = 8

Set = tuple[str, ...]


def n_sets(options: Mapping[str, Sequence[str]]) -> int:
    """How many sets there are."""
    return prod(len(choices) for choices in options.values())


def score_every_set(
    options: Mapping[str, Sequence[str]], score: Callable[[Set], float]
) -> dict[Set, float]:
    """Every set with its score.

    Parameters
    ----------
    options : place -> its choices
    score : of a set of one choice a place, in the order of the places; larger is better
    """
    return {chosen: score(chosen) for chosen in product(*options.values())}


def score_beam(
    options: Mapping[str, Sequence[str]],
    score: Callable[[Set], float],
    width: int = BEAM_WIDTH,
) -> dict[Set, float]:
    """The sets a beam comes upon, with their scores.

    Notes
    -----
    Places are filled one after the other in the order given, those not filled yet with their first
    choice; after each place the best `width` sets go on. Where no more sets than that can be made
    of the places before the last, all sets are scored.
    """
    start = tuple(choices[0] for choices in options.values())
    known: dict[Set, float] = {start: score(start)}
    beam = [start]
    for place, choices in enumerate(options.values()):
        widened = {
            (*chosen[:place], choice, *chosen[place + 1 :]) for chosen in beam for choice in choices
        }
        for chosen in sorted(widened - known.keys()):
            known[chosen] = score(chosen)
        beam = sorted(widened, key=lambda chosen: (-known[chosen], chosen))[:width]
    return known
