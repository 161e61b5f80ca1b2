"""What is in the way where no chain keeps the budget on any group."""

from collections.abc import Iterator, Sequence

from chainweigh.chain.chain import BYPASS_NAME
from chainweigh.ranking.order import Entry, above, breaches, limited
from chainweigh.ranking.settings import RankSettings


def kept_by_none(entries: Sequence[Entry], settings: RankSettings) -> str | None:
    """Which limits every chain of every group breaks, in words; None where one keeps them all.

    Parameters
    ----------
    entries : every group's candidates, judged in the mix
    """
    chains = [e for e in entries if e.name != BYPASS_NAME and e.failure is None]
    if not chains or not all(breaches(entry, settings) for entry in chains):
        return None
    most_first = sorted(_in_the_way(chains, settings), key=lambda told: -told[0])
    return "; ".join(text for _, text in most_first)


def _in_the_way(chains: Sequence[Entry], settings: RankSettings) -> Iterator[tuple[int, str]]:
    """Every limit that is broken: by how many chains, and that in words."""
    read: dict[tuple[str, str, float], list[float]] = {}
    for entry in chains:
        for _, label, unit, value, limit in limited(entry, settings):
            read.setdefault((label, unit, limit), []).append(value)
    for (label, unit, limit), values in read.items():
        n_over = sum(value > limit for value in values)
        if not n_over:
            continue
        said = f"{label} over {limit:g} {unit} on "
        said += f"all {n_over}" if n_over == len(chains) else f"{n_over} of {len(chains)}"
        if n_over == len(chains):
            said += f", {above(min(values), limit)} {unit} at the least"
        yield n_over, said
