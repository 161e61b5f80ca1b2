"""The tones of BS.1770, Tech 3341 and Tech 3342: phase-continuous, peak per channel in dBFS."""

import numpy as np
import pytest

RATE = 48_000


def tone_programme(segments, *, sample_rate_hz=RATE, frequency_hz=1000.0, n_channels=2):
    """Segments of (seconds, dBFS or None for silence), one phase-continuous tone."""
    gains = np.concatenate(
        [
            np.full(round(seconds * sample_rate_hz), 0.0 if level is None else 10 ** (level / 20))
            for seconds, level in segments
        ]
    )
    phase = 2 * np.pi * frequency_hz / sample_rate_hz * np.arange(len(gains))
    tone = (gains * np.sin(phase)).astype(np.float32)
    return np.ascontiguousarray(np.broadcast_to(tone, (n_channels, len(tone))))


@pytest.fixture
def programme():
    return tone_programme
