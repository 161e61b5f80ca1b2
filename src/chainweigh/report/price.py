"""The range of prices within which a winner stays the winner, as a sentence."""

from chainweigh.ranking.results import Comparison
from chainweigh.ranking.settings import RankSettings


def price_sentence(comparison: Comparison, settings: RankSettings) -> str:
    """What the winner depends on; empty where no range is known."""
    prices = comparison.price_range
    if prices is None:
        return ""
    low, high = prices.from_lu_per_pct, prices.to_lu_per_pct
    if high is None:
        span = "any price" if low <= 0 else f"prices of {low:.3f} LU per % and more"
    else:
        span = f"prices from {low:.3f} to {high:.3f} LU per %"
    outside = []
    if prices.winner_below is not None:
        outside.append(f"below, {prices.winner_below} wins")
    if prices.winner_above is not None:
        outside.append(f"above, {prices.winner_above} wins")
    tail = f" ({'; '.join(outside)})" if outside else ""
    searched = any(candidate.searches for candidate in comparison.candidates)
    found = "; searched settings stay as found for it" if searched else ""
    return (
        f"{comparison.winner} stays the winner at {span}{tail}. "
        f"This run charged {settings.price_lu_per_pct:g} LU per % of added distortion{found}."
    )
