"""The drive ladder: the same chain, fed hotter."""

import numpy as np
import pytest

from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.values import LevelExpression
from chainweigh.ranking.ladder import driven
from chainweigh.ranking.results import ResolvedSetting, ResolvedStage
from chainweigh.render.chain_run import render_chain

RATE_HZ = 48000
CLIP = Stage("clip", {"ceiling": LevelExpression("peak", -6.0), "oversample": 1})
RESOLVED = ResolvedStage(
    "clip", (ResolvedSetting("ceiling", "peak - 6 dB", "-12 dBFS", True),), False
)


@pytest.fixture
def sine():
    """997 Hz at -6 dBFS on both sides."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    return (0.5 * np.sin(2 * np.pi * 997 * time_s)).astype(np.float32)[None].repeat(2, axis=0)


def render(chain, samples):
    return render_chain(chain, samples, RATE_HZ).samples


def test_at_0_db_a_rung_is_the_chosen_chain(sine):
    chain = Chain("Clip", "bus", "", (CLIP,))
    chosen, rung = render(chain, sine), render(driven(chain, (RESOLVED,), 0.0), sine)
    assert rung == pytest.approx(chosen, abs=0.001)  # levels are stored to 0.01 dB


@pytest.mark.parametrize("drive_db", [-2.0, 3.0, 6.0])
def test_drive_is_gain_in_front_of_levels_that_stay(sine, drive_db):
    """A hard clip at -12 dBFS: the closed form of every sample."""
    chain = driven(Chain("Clip", "bus", "", (CLIP,)), (RESOLVED,), drive_db)
    ceiling = 10 ** (-12 / 20)
    expected = np.clip(sine * 10 ** (drive_db / 20), -ceiling, ceiling)
    assert render(chain, sine) == pytest.approx(expected, abs=1e-5)


def test_wanted_colour_stays_wanted():
    wanted = Stage("clip", CLIP.settings, intended=True)
    chain = driven(Chain("x", "bus", "", (wanted, CLIP)), (RESOLVED, RESOLVED), 1.0)
    assert [stage.intended for stage in chain.stages] == [True, True, False]
    assert chain.split == 2
