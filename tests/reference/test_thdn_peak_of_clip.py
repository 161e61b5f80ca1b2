"""thdn_peak of the oversampled hard clip, driven through the tone bench, against the closed form.

The Fourier coefficients of a symmetrically clipped sine are derived in closed form (r = ceiling
over amplitude, phi = arccos r): b_n/A = -(2/pi)[sin((n-1)phi)/(n(n-1)) - sin((n+1)phi)/(n(n+1))].
"""

import numpy as np
import pytest

from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.values import parse_level
from chainweigh.measure.reference_bands import reference_bands
from chainweigh.measure.tones import tone_grid
from chainweigh.render.chain_run import render_chain
from chainweigh.render.tone_bench import bench_tones

RATE_HZ = 48_000


def thdn_below_20_khz_pct(overdrive_db, f0_hz):
    r = 10 ** (-overdrive_db / 20)
    phi = np.arccos(r)
    first = (2 / np.pi) * (np.arcsin(r) + r * np.sqrt(1 - r * r))
    n = np.arange(3, int(20_000 / f0_hz) + 1, 2)
    rest = np.sin((n - 1) * phi) / (n * (n - 1)) - np.sin((n + 1) * phi) / (n * (n + 1))
    power = np.square((2 / np.pi) * rest).sum()
    return 100 * np.sqrt(power / (power + first**2))


@pytest.mark.parametrize("overdrive_db", [0.5, 1.0, 2.0, 3.0, 6.0, 12.0])
@pytest.mark.parametrize("oversample", [8, 16])
def test_thdn_peak_agrees_with_the_closed_form_within_a_twentieth_db(overdrive_db, oversample):
    time_s = np.arange(RATE_HZ) / RATE_HZ
    programme = np.tile(np.sin(2 * np.pi * 1000 * time_s), (2, 1)).astype(np.float32)
    level = parse_level(f"peak - {overdrive_db} dB")
    stage = Stage("clip", {"ceiling": level, "oversample": oversample})
    run = render_chain(Chain("clip", "bus", "", (stage,)), programme, RATE_HZ)
    bands = reference_bands(programme, RATE_HZ)
    _, results = bench_tones(run.stages, tone_grid(RATE_HZ, 0.0), bands, None)
    expected = thdn_below_20_khz_pct(overdrive_db, 997.0)
    error_db = 20 * np.log10(results.thdn_peak_pct / expected)
    assert abs(error_db) <= 0.05
