"""One candidate weighed by itself, on made-up hits."""

import numpy as np

from chainweigh.audio.files import read_audio
from chainweigh.chain.chain import Chain, Stage
from chainweigh.chain.values import parse_level
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.weigh import weigh
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.cache import Cache

RATE_HZ = 44_100


def hits(seconds=4):
    """Decaying noise twice a second, stereo, with silence at the end."""
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    noise = np.random.default_rng(3).standard_normal((2, time_s.size))
    sound = 0.1 * noise * np.exp(-8 * (time_s % 0.5)) * (time_s < seconds - 0.5)
    return sound.astype(np.float32)


def test_a_chain_with_a_tail_that_stays_in_time_is_as_long_as_its_reference(tmp_path):
    samples = hits()
    reference = Reference("drums", samples, loudest_windows(samples, RATE_HZ))
    settings = {"split_1": 200.0, "threshold_1": parse_level("rms")}
    chain = Chain("Bands", "bus", "", (Stage("compress_bands", settings),))
    assert chain.tail_frames(RATE_HZ) > 0
    weighed = weigh(chain, reference, Cache(tmp_path))
    assert weighed.failure is None and weighed.shift_frames == 0
    assert read_audio(weighed.audio).samples.shape == samples.shape


def test_a_level_read_from_blocks_for_lack_of_hits_is_noted_at_its_setting(tmp_path):
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    held = np.tile(0.3 * np.sin(2 * np.pi * 220 * time_s), (2, 1)).astype(np.float32)
    chain = Chain("Clip", "bus", "", (Stage("clip", {"ceiling": parse_level("hits - 1 dB")}),))
    notes = []
    for samples in (held, hits()):
        reference = Reference("x", samples, loudest_windows(samples, RATE_HZ))
        (stage,) = weigh(chain, reference, Cache(tmp_path)).stages
        notes.append(next(s.note for s in stage.settings if s.key == "ceiling"))
    assert "400 ms blocks" in notes[0] and notes[1] is None
