"""The steady tones that are run tell of all tones what running all of them tells."""

import pytest

from chainweigh.chain.chain import Stage
from chainweigh.measure.tones import ToneGrid, measure_tones, tone_signal
from chainweigh.render import tone_bench
from chainweigh.render.chain_run import RunStage, run_frozen
from chainweigh.render.tone_bench import bench_tones

RATE_HZ = 44_100
GRID = ToneGrid(RATE_HZ, -1.0, (40.0, 8000.0), (59, 11889), (-25.0, -13.0, -7.0, -1.0), 1481)
HARD = Stage("clip", {"ceiling": -6.0, "oversample": 4})
SOFT = Stage("clip", {"ceiling": -6.0, "knee": 6.0, "link": True, "true_peak": True})
WARM = Stage("saturate", {"ceiling": -3.0, "bias": 10.0, "oversample": 2})
DEAF = Stage(
    "compress", {"threshold": -12.0, "attack": 5.0, "lookahead": 2.0, "detector_low_cut": 100.0}
)
MEAN = Stage("compress", {"threshold": -9.0, "detector": "rms", "averaging": 100.0})
LIMIT = Stage("limit", {"ceiling": -8.0, "release": 30.0})
SHELF = Stage("eq", {"shape": "high_shelf", "frequency": 3000.0, "gain": 2.0})
LOUDER = Stage("gain", {"gain": 9.0})


def frozen(stages: tuple[Stage, ...]) -> list[RunStage]:
    return [RunStage(stage, stage.completed({})) for stage in stages]


@pytest.mark.parametrize(
    ("stages", "n_run"),
    [
        ((), 0),
        ((HARD,), 4),
        ((SOFT,), 6),
        ((WARM,), 9),
        ((HARD, WARM), 9),
        ((DEAF,), 8),
        ((MEAN,), 6),
        ((LIMIT,), 6),
        ((SOFT, LIMIT), 6),
        ((HARD, LOUDER, MEAN, WARM), 9),
        ((DEAF, SOFT), 8),
        ((SHELF, HARD), 9),
        ((LOUDER, HARD), 9),
        ((LOUDER, LIMIT), 9),
    ],
    ids=lambda case: "-".join(stage.name for stage in case) if isinstance(case, tuple) else None,
)
def test_what_is_not_run_reads_as_if_it_were(stages, n_run, monkeypatch):
    """Tones no effect touches, time no effect reaches, half periods that are others negated."""
    plans = []
    monkeypatch.setattr(
        tone_bench, "tone_signal", lambda grid, plan: plans.append(plan) or tone_signal(grid, plan)
    )
    monkeypatch.setattr(tone_bench, "programme_distortion", lambda results, bands, ridden_pct: None)
    found, _ = bench_tones(frozen(stages), GRID, None, None)
    every = measure_tones(run_frozen(frozen(stages), tone_signal(GRID), RATE_HZ), GRID)
    for field in ("thdn_pct", "thd_pct", "inharmonic_pct"):
        assert getattr(found, field).data == pytest.approx(getattr(every, field).data, rel=1e-7)
    assert found.thdn_peak_pct == pytest.approx(every.thdn_peak_pct, rel=1e-7)
    assert plans[0].n_segments == n_run
