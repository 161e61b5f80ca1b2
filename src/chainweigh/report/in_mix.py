"""What was heard of a candidate in the mix, or why it was not judged."""

from chainweigh.ranking.results import Candidate, HeardMeasures

JUDGED = ("nmr_mean_db", "nmr_worst_db", "disturbed_pct", "disturbed_onsets_pct")


def deciding(candidate: Candidate) -> HeardMeasures | None:
    """What the budget was held against: the whole song where it was judged, else the windows."""
    return candidate.in_mix_whole_song or candidate.in_mix


def not_judged(candidate: Candidate) -> str | None:
    """Why audibility in the mix has no numbers; None where it was judged."""
    if candidate.in_mix is not None:
        return None
    if candidate.failure is not None:
        return "not judged: failed"
    return "not judged" if candidate.stages else "not judged: changes nothing"
