"""The demo's two songs, synthesised once a session."""

import runpy
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soxr

DEMO = Path(__file__).resolve().parents[2] / "demo"
DEMO_RATE_HZ = 44_100


@pytest.fixture(scope="session")
def demo_groups():
    """From a song's number, 1 or 2, to its groups: name -> float32, shape (2, n_frames)."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(DEMO)
        made = runpy.run_path(str(DEMO / "make_song.py"))

    @cache
    def groups(number):
        summed = {}
        for part, track in made["stems"](made["SONGS"][number - 1]).items():
            name = made["FILES"][part].split("/")[0]
            summed[name] = summed.get(name, 0.0) + track * np.ones((2, 1))
        return {name: samples.astype(np.float32) for name, samples in summed.items()}

    return groups


@pytest.fixture(scope="session")
def demo_mix(demo_groups):
    """From a song's number and a rate in Hz to 10 s of its mix, its quiet middle among them."""

    @cache
    def mix(number, rate_hz):
        whole = np.sum(list(demo_groups(number).values()), axis=0)
        part = whole[:, 12 * DEMO_RATE_HZ : 22 * DEMO_RATE_HZ].T
        return np.ascontiguousarray(soxr.resample(part, DEMO_RATE_HZ, rate_hz).T)

    return mix
