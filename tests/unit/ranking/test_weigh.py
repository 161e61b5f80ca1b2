"""One candidate weighed by itself, on made-up hits."""

from dataclasses import fields

import numpy as np
import pytest

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


def test_what_is_lost_says_where_in_the_song_it_is_worst(tmp_path):
    """Two hits in 40 s stand far above the others; the clip takes of them alone."""
    samples = 0.2 * hits(40)
    for at_s, gain in ((21.0, 4), (33.5, 8)):
        samples[:, round(at_s * RATE_HZ) : round((at_s + 0.5) * RATE_HZ)] *= gain
    reference = Reference("drums", samples, loudest_windows(samples, RATE_HZ))
    chain = Chain("Clip", "bus", "", (Stage("clip", {"ceiling": parse_level("peak - 12 dB")}),))
    programme = weigh(chain, reference, Cache(tmp_path)).programme
    assert programme.punch_worst_s == pytest.approx(33.5, abs=0.02)
    assert min(abs(programme.gain_low_s - at_s) for at_s in (21.1, 33.6)) < 0.3


def test_every_measure_that_is_none_has_its_reason(tmp_path):
    samples = hits()
    samples[:, ::2] = -samples[:, 1::2]  # next to nothing below 200 Hz
    reference = Reference("hats", samples, loudest_windows(samples, RATE_HZ))
    chain = Chain("Clip", "bus", "", (Stage("clip", {"ceiling": parse_level("peak - 3 dB")}),))
    weighed = weigh(chain, reference, Cache(tmp_path))
    for record in (weighed.programme, weighed.tones, weighed.soloed, weighed.file):
        for field in fields(record):
            if getattr(record, field.name) is None:
                assert record.undefined[field.name], field.name
    assert weighed.programme.punch_low_change_db is None
