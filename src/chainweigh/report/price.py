"""The range of prices within which a winner stays the winner, as a sentence."""

from chainweigh.ranking.results import Comparison
from chainweigh.ranking.settings import RankSettings


def price_sentence(comparison: Comparison, settings: RankSettings) -> str:
    """What the winner depends on; empty where no range is known."""
    found = comparison.price_range
    if found is None:
        return ""
    low, high = found.from_lu_per_pct, found.to_lu_per_pct
    if high is None:
        span = "any price" if low <= 0 else f"prices of {low:.3f} LU per % and more"
    else:
        span = f"prices from {low:.3f} to {high:.3f} LU per %"
    outside = []
    if found.winner_below is not None:
        outside.append(f"below, {found.winner_below} wins")
    if found.winner_above is not None:
        outside.append(f"above, {found.winner_above} wins")
    tail = f" ({'; '.join(outside)})" if outside else ""
    return (
        f"{comparison.winner} stays the winner at {span}{tail}. "
        f"This run charged {settings.price_lu_per_pct:g} LU per % of added distortion."
    )
