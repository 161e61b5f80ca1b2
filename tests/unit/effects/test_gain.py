import numpy as np
import pytest

from chainweigh.effects import effect
from chainweigh.effects.base import complete_settings

GAIN = effect("gain")


@pytest.mark.parametrize(
    ("gain_db", "ratio"), [(0, 1), (20, 10), (-20, 0.1), (6.0206, 2), (-80, 1e-4)]
)
def test_gain_multiplies_by_its_ratio(gain_db: float, ratio: float) -> None:
    samples = np.array([[0.5, -0.25, 0.0], [1.0, 2.0, -1e-3]], np.float32)
    out = GAIN.process(samples, 48_000, complete_settings(GAIN, {"gain": gain_db}))
    assert out == pytest.approx(samples * ratio, rel=1e-5)
