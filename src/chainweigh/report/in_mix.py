"""Why a candidate was not judged in the mix, and its moments of most disturbance, in words."""

from chainweigh.ranking.results import Candidate

JUDGED = ("nmr_mean_db", "nmr_worst_db", "disturbed_pct", "disturbed_onsets_pct")


def not_judged(candidate: Candidate) -> str | None:
    """Why audibility in the mix has no numbers; None where it was judged."""
    if candidate.in_mix is not None:
        return None
    standing = candidate.standing
    if candidate.failure is not None:
        return "not judged: failed"
    if standing.loudness_gain_lu is None:
        return "not judged: its gain is not defined"
    return "not judged: gains nothing" if standing.loudness_gain_lu <= 0 else "not judged"
