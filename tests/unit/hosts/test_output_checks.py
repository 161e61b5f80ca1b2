"""Drop-outs told from a gate that closes; common practice, no source."""

import numpy as np
import pytest

from chainweigh.errors import PluginFaultError
from chainweigh.hosts.output_checks import check_drop_outs

RATE_HZ = 48_000


def tone():
    frames = np.arange(RATE_HZ)
    return (0.3 * np.sin(2 * np.pi * 440 * frames / RATE_HZ)).astype(np.float32)[None]


def test_silence_while_the_input_sounds_is_a_drop_out_with_its_time():
    output = tone()
    output[:, 24_000:26_000] = 0
    with pytest.raises(PluginFaultError, match=r"once .*first at 0\.50 s"):
        check_drop_outs(tone(), output, RATE_HZ)


def test_silence_where_the_input_is_quiet_or_briefer_than_10_ms_is_none():
    samples, output = tone(), tone()
    samples[:, 24_000:26_000] *= np.float32(1e-3)
    output[:, 24_000:26_000] = 0
    output[:, 40_000:40_400] = 0
    check_drop_outs(samples, output, RATE_HZ)
