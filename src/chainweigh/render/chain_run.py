"""A chain run over a programme, and again over test tones with its levels frozen."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.levels import resolve_level
from chainweigh.chain.values import LevelExpression
from chainweigh.effects.base import Setting
from chainweigh.errors import ChainFileError, ChainweighError, RenderError


@dataclass(frozen=True)
class RunStage:
    """A stage with every setting as it was rendered."""

    stage: Stage
    settings: dict[str, Setting]


@dataclass(frozen=True)
class ChainRun:
    """A chain's output, its stages as rendered, and the output of its intended part.

    `intended` is what leaves the last stage marked intended, the dry input where there is none.
    """

    samples: Samples
    stages: tuple[RunStage, ...]
    intended: Samples


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
    intended = samples
    for number, stage in enumerate(chain.stages, start=1):
        where = f"stage {number} ({stage.effect_name})"
        try:
            settings = stage.completed(_levels(stage, samples, sample_rate_hz))
        except (ChainFileError, RenderError) as error:
            raise RenderError(f"{where}: {error}") from error
        stages.append(RunStage(stage, settings))
        samples = _run_stage(stages[-1], samples, sample_rate_hz, where)
        if number == chain.split:
            intended = samples
    return ChainRun(samples, tuple(stages), intended)


def run_frozen(stages: Sequence[RunStage], samples: Samples, sample_rate_hz: int) -> Samples:
    """Run stages as they were rendered, levels included, over other samples.

    Raises
    ------
    RenderError
        An effect fails or its output is not finite.
    """
    for stage in stages:
        samples = _run_stage(stage, samples, sample_rate_hz, stage.stage.effect_name)
    return samples


def _levels(stage: Stage, samples: Samples, sample_rate_hz: int) -> dict[str, float]:
    return {
        key: resolve_level(value, samples, sample_rate_hz)
        for key, value in stage.settings.items()
        if isinstance(value, LevelExpression)
    }


def _run_stage(run: RunStage, samples: Samples, sample_rate_hz: int, where: str) -> Samples:
    try:
        output = run.stage.effect.process(samples, sample_rate_hz, run.settings)
    except ChainweighError as error:
        raise RenderError(f"{where}: {error}") from error
    if not np.isfinite(output).all():
        raise RenderError(f"{where}: its output holds NaN or Inf")
    return output
