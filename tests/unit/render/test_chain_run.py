"""Chains over a programme: neighbouring equaliser bands run as one filter."""

from dataclasses import replace

import numpy as np
import pytest

from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.values import LevelExpression
from chainweigh.effects.eq import process_bands
from chainweigh.errors import RenderError
from chainweigh.render.chain_run import render_chain, run_frozen

RATE_HZ = 48_000
CUT = Stage("eq", {"shape": "low_cut", "frequency": 40.0})
PEAK = Stage("eq", {"shape": "peak", "frequency": 900.0, "gain": -4.0})
SHELF = Stage("eq", {"shape": "high_shelf", "frequency": 7000.0, "gain": 3.0})
TO_LEVEL = Stage("eq", {**PEAK.settings, "gain": LevelExpression("peak", -3.0)})
SIDE = Stage("eq", {**SHELF.settings, "on": "side"})
CLIP = Stage("clip", {"ceiling": LevelExpression("peak", -3.0)})


def chain(*stages: Stage) -> Chain:
    return Chain("Under test", "bus", "", stages)


def noise() -> np.ndarray:
    return np.random.default_rng(2).uniform(-1, 1, (2, 9_000)).astype(np.float32)


def one_by_one(stages: tuple[Stage, ...], samples: np.ndarray) -> np.ndarray:
    for stage in stages:
        samples = render_chain(chain(stage), samples, RATE_HZ).samples
    return samples


def test_neighbouring_bands_are_one_filter() -> None:
    run = render_chain(chain(CUT, PEAK, SHELF), noise(), RATE_HZ)
    settings = [stage.completed() for stage in (CUT, PEAK, SHELF)]
    assert np.array_equal(run.samples, process_bands(noise(), RATE_HZ, settings))
    assert [r.settings for r in run.stages] == settings
    assert run.samples == pytest.approx(one_by_one((CUT, PEAK, SHELF), noise()), abs=3e-7)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ((CUT,), (TO_LEVEL, SHELF)),
        ((CUT, PEAK), (SIDE,)),
        ((replace(CUT, intended=True), replace(PEAK, intended=True)), (SHELF,)),
        ((CUT, PEAK), (CLIP,)),
    ],
    ids=["relative level", "side", "end of the intended part", "another effect"],
)
def test_bands_do_not_join_where_the_sound_between_them_is_asked_for(
    first: tuple[Stage, ...], second: tuple[Stage, ...]
) -> None:
    """Levels resolve on, and distortion is held against, the output of a stage."""
    whole = render_chain(chain(*first, *second), noise(), RATE_HZ)
    between = render_chain(chain(*first), noise(), RATE_HZ)
    after = render_chain(chain(*second), between.samples, RATE_HZ)
    assert np.array_equal(whole.samples, after.samples)
    assert whole.stages == (*between.stages, *after.stages)
    if first[0].intended:
        assert np.array_equal(whole.intended, between.samples)


def test_a_frozen_run_gives_the_same_bytes() -> None:
    stages = (CUT, PEAK, TO_LEVEL, SHELF, CLIP, SHELF, SIDE)
    run = render_chain(chain(*stages), noise(), RATE_HZ)
    assert run_frozen(run.stages, noise(), RATE_HZ).tobytes() == run.samples.tobytes()


def test_a_failure_names_its_stages() -> None:
    boost = Stage("eq", {"shape": "peak", "frequency": 900.0, "gain": 40.0})
    loud = noise() * np.float32(3e38)
    with pytest.raises(RenderError, match=r"stages 2 to 3 \(eq\): its output holds NaN or Inf"):
        render_chain(chain(Stage("gain", {"gain": 0.0}), boost, boost), loud, RATE_HZ)


@pytest.mark.parametrize(
    "stage",
    [
        Stage("compress_bands", {"split_1": 300.0, "threshold_2": LevelExpression("rms", -3.0)}),
        Stage("eq", {**PEAK.settings, "gain": LevelExpression("peak", 3.0), "phase": "linear"}),
    ],
    ids=["compress_bands", "linear phase"],
)
def test_the_tail_is_known_before_relative_levels_are(stage: Stage) -> None:
    expected = 9_000 + chain(stage).tail_frames(RATE_HZ)
    assert render_chain(chain(stage), noise(), RATE_HZ).samples.shape == (2, expected)
