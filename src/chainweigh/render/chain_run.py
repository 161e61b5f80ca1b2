"""A chain run over a programme, and again over test tones with its levels frozen.

Neighbouring equaliser stages run as one filter, which takes the time of one stage. Whether two join
is decided by how they are written, never by the samples: programme and tones run alike.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from chainweigh.audio.array import Samples
from chainweigh.chain.chain import AnyStage, Chain, Stage
from chainweigh.chain.levels import ResolvedLevel, resolve_level
from chainweigh.chain.values import LevelExpression
from chainweigh.effects import eq
from chainweigh.effects.base import Setting
from chainweigh.errors import ChainFileError, ChainweighError, RenderError
from chainweigh.hosts.plugin import RenderFacts
from chainweigh.kernels.finite import first_not_finite
from chainweigh.measure.limiter_work import limiter_work_db_s


@dataclass(frozen=True)
class RunStage:
    """A stage with every setting as it was rendered, and what is to be said of some.

    `facts` is what a plug-in told of its render.
    """

    stage: AnyStage
    settings: dict[str, Setting]
    notes: Mapping[str, str] = field(default_factory=dict)
    facts: RenderFacts | None = None


@dataclass(frozen=True)
class ChainRun:
    """A chain's output, its stages as rendered, and the output of its intended part.

    `intended` is what leaves the last stage marked intended, the dry input where there is none.
    `final_limiter_work_db_s` is what a master's last stage has above its ceiling, if it has one.
    """

    samples: Samples
    stages: tuple[RunStage, ...]
    intended: Samples
    final_limiter_work_db_s: float | None = None


def render_chain(chain: Chain, samples: Samples, sample_rate_hz: int) -> ChainRun:
    """Run a chain over a programme, resolving each stage's levels on what reaches it.

    Parameters
    ----------
    samples : shape (n_channels, n_frames)

    Returns
    -------
    Output of n_frames plus the chain's tail.

    Raises
    ------
    RenderError
        A level is undefined or resolves out of range, an effect fails, or its output is not finite;
        the text names the stage.
    """
    stages: list[RunStage] = []
    intended, work_db_s = samples, None
    for span in _spans(chain.stages):
        where = _where(span, chain.stages)
        try:
            run = [_resolved(stage, samples, sample_rate_hz) for stage in chain.stages[span]]
        except (ChainFileError, RenderError) as error:
            raise RenderError(f"{where}: {error}") from error
        if chain.scope == "master" and span.stop == len(chain.stages):
            work_db_s = _limiter_work_db_s(run[-1], samples, sample_rate_hz)
        samples, run = _run_span(run, samples, sample_rate_hz, where)
        stages += run
        if len(stages) == chain.split:
            intended = samples
    return ChainRun(samples, tuple(stages), intended, work_db_s)


def _limiter_work_db_s(run: RunStage, samples: Samples, sample_rate_hz: int) -> float | None:
    """What a stage has above its ceiling; None of one without a ceiling, as of any plug-in."""
    if not isinstance(run.stage, Stage) or "ceiling" not in run.settings:
        return None
    ceiling_dbfs = float(run.settings["ceiling"])
    return limiter_work_db_s(samples, sample_rate_hz, ceiling_dbfs=ceiling_dbfs)


def run_frozen(stages: Sequence[RunStage], samples: Samples, sample_rate_hz: int) -> Samples:
    """Run stages as they were rendered, levels included, over other samples.

    Raises
    ------
    RenderError
        An effect fails or its output is not finite.
    """
    for span in _spans([run.stage for run in stages]):
        where = stages[span.start].stage.name
        samples, _ = _run_span(stages[span], samples, sample_rate_hz, where)
    return samples


def _spans(stages: Sequence[AnyStage]) -> Iterator[slice]:
    """Stages that run in one go; all but equaliser bands run alone."""
    start = 0
    for end in range(1, len(stages) + 1):
        if end == len(stages) or not _join(stages[end - 1], stages[end]):
            yield slice(start, end)
            start = end


def _join(before: AnyStage, after: AnyStage) -> bool:
    """True where nothing asks for what lies between two stages: no relative level, no split."""
    relative = any(isinstance(value, LevelExpression) for value in after.settings.values())
    return (
        before.intended == after.intended
        and not relative
        and all(s.name == "eq" and eq.joins(s.settings) for s in (before, after))
    )


def _where(span: slice, stages: Sequence[AnyStage]) -> str:
    first, last = span.start + 1, span.stop
    numbers = f"stage {first}" if first == last else f"stages {first} to {last}"
    return f"{numbers} ({stages[span.start].name})"


def _resolved(stage: AnyStage, samples: Samples, sample_rate_hz: int) -> RunStage:
    levels: dict[str, ResolvedLevel] = {
        key: resolve_level(value, samples, sample_rate_hz)
        for key, value in stage.settings.items()
        if isinstance(value, LevelExpression)
    }
    settings = stage.completed({key: level.level_db for key, level in levels.items()})
    return RunStage(stage, settings, {k: v.note for k, v in levels.items() if v.note})


def _run_span(
    span: Sequence[RunStage], samples: Samples, sample_rate_hz: int, where: str
) -> tuple[Samples, list[RunStage]]:
    """Output of a span, and its stages with what a plug-in told; its alignment stays if known."""
    first = span[0]
    alignment = first.facts.alignment if first.facts else None
    facts = None
    try:
        if len(span) > 1:
            output = eq.process_bands(samples, sample_rate_hz, [run.settings for run in span])
        else:
            output, facts = first.stage.process(samples, sample_rate_hz, first.settings, alignment)
    except ChainweighError as error:
        raise RenderError(f"{where}: {error}") from error
    if any(first_not_finite(channel) is not None for channel in output):
        raise RenderError(f"{where}: its output holds NaN or Inf")
    return output, [replace(run, facts=facts) for run in span]
