"""The drive ladder as the page's scripts need it."""

from typing import Any

from chainweigh.ranking.ladder_results import Ladder
from chainweigh.report.embedded_audio import Embedded, listening_data

LADDER_ID = "ladder"
MEASURES = ("drive_db", "disturbed_pct", "disturbed_onsets_pct")


def ladder_data(ladder: Ladder | None, embedded: Embedded | None) -> dict[str, Any] | None:
    """A passage whose takes are the reference and the rungs, each with its measures."""
    if ladder is None or embedded is None:
        return None
    data = listening_data(LADDER_ID, embedded)
    rungs = {rung.audio: rung for rung in ladder.rungs}
    for taken, take in zip(data["takes"][1:], embedded.passage.takes[1:], strict=True):
        rung = rungs[take.source.audio]
        taken.update({name: getattr(rung, name) for name in MEASURES})
    return {**data, "comparison": ladder.comparison, "candidate": ladder.candidate}
