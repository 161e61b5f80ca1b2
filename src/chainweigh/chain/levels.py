"""Level expressions resolved on what reaches a stage."""

from dataclasses import dataclass

from chainweigh.audio.array import Samples
from chainweigh.chain.values import LevelExpression
from chainweigh.errors import RenderError
from chainweigh.measure.hits import measure_hits
from chainweigh.measure.levels import measure_levels
from chainweigh.measure.loudness import measure_loudness

SILENT = "the programme is silent"
FEW_ONSETS = "under 4 onsets in the loudest 10 s: read from its 400 ms blocks"


@dataclass(frozen=True)
class ResolvedLevel:
    """A level in dB; `note` where it was not read as its name says."""

    level_db: float
    note: str | None = None


def resolve_level(
    expression: LevelExpression, samples: Samples, sample_rate_hz: int
) -> ResolvedLevel:
    """Value in dB of a level expression for the samples that reach the stage.

    Parameters
    ----------
    expression : `peak` is the sample peak over channels, `hits` the median true peak of the loudest
        quarter of onsets in the loudest section (where it has under 4, of its 400 ms blocks, with a
        note), `rms` the plain RMS of the whole file, `loudness` the integrated loudness (0 LUFS
        read as 0 dBFS)
    samples : shape (n_channels, n_frames)

    Returns
    -------
    ResolvedLevel
        The level plus its offset, rounded to 0.01 dB, so that what a recipe says is what is
        rendered.

    Raises
    ------
    RenderError
        The level is not defined for these samples, for example loudness of silence.
    """
    note = None
    if expression.name == "hits":
        hits = measure_hits(samples, sample_rate_hz)
        level, why = hits.level_dbfs, SILENT
        note = FEW_ONSETS if hits.from_blocks else None
    else:
        level, why = _measured(expression.name, samples, sample_rate_hz)
    if level is None:
        raise RenderError(f'level "{expression}" is not defined here: {why}')
    return ResolvedLevel(round(level + expression.offset_db, 2), note)


def _measured(name: str, samples: Samples, sample_rate_hz: int) -> tuple[float | None, str]:
    """A named level in dB, and why it is None."""
    if name == "loudness":
        loudness = measure_loudness(samples, sample_rate_hz)
        return loudness.integrated_lufs, loudness.undefined.get("integrated_lufs", "")
    levels = measure_levels(samples, sample_rate_hz)
    field = {"peak": "sample_peak_dbfs", "rms": "rms_db"}[name]
    return getattr(levels, field), levels.undefined.get(field, "")
