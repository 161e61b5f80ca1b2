"""EBU Tech 3342 version 4.0 (2023), Table 1, cases 1-4, asserted twice.

The standard's +-1 LU; then within 0.001 LU of the level steps themselves, which libebur128,
pyloudnorm and ffmpeg read from the same synthesised signals. Cases 5 and 6 need programme files.
"""

import numpy as np
import pytest

from chainweigh.measure.loudness import measure_loudness

RATE = 48_000
CASES = [
    pytest.param((-20, -30), 10.0, id="case 1"),
    pytest.param((-20, -15), 5.0, id="case 2"),
    pytest.param((-40, -20), 20.0, id="case 3"),
    pytest.param((-50, -35, -20, -35, -50), 15.0, id="case 4"),
]


@pytest.mark.parametrize(("levels", "expected"), CASES)
def test_loudness_range_of_level_steps(programme, levels, expected):
    measured = measure_loudness(programme([(20, level) for level in levels]), RATE).lra_lu
    assert measured == pytest.approx(expected, abs=1.0)
    assert measured == pytest.approx(expected, abs=0.001)


def test_response_is_unchanged_if_the_signal_is_repeated(programme):
    samples = programme([(20, -20), (20, -30)])
    twice = np.concatenate([samples, samples], axis=1)
    assert measure_loudness(twice, RATE).lra_lu == pytest.approx(10.0, abs=0.001)


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
def test_loudness_range_holds_at_other_rates(programme, rate):
    samples = programme([(20, -40), (20, -20)], sample_rate_hz=rate)
    assert measure_loudness(samples, rate).lra_lu == pytest.approx(20.0, abs=0.001)
