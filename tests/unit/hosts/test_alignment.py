"""The rule that weighs reported latency, impulse and correlation. Signals with a known delay."""

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.hosts.alignment import find_alignment

RATE_HZ = 48_000


def noise(n_frames=RATE_HZ):
    return (0.1 * np.random.default_rng(5).standard_normal((1, n_frames))).astype(np.float32)


def late(samples, n_frames):
    return np.pad(samples, ((0, 0), (n_frames, 0)))


def found(samples, output, reported, impulse):
    return find_alignment(
        samples, output, RATE_HZ, reported_frames=reported, impulse_frames=impulse
    )


def test_a_report_the_programme_confirms_is_used():
    alignment = found(noise(), late(noise(), 64), 64, 64)
    assert (alignment.shift_frames, alignment.how, alignment.note) == (64, "agreed", None)


@pytest.mark.parametrize("impulse", [64, 300])
def test_a_wrong_report_is_corrected_by_the_programme(impulse):
    alignment = found(noise(), late(noise(), 300), 64, impulse)
    assert (alignment.shift_frames, alignment.how) == (300, "corrected")
    assert (alignment.note is None) == (impulse == 300)


def test_without_a_sharp_peak_the_report_is_used_unverified():
    other = np.random.default_rng(6).standard_normal((1, RATE_HZ)).astype(np.float32)
    alignment = found(noise(), other, 64, 64)
    assert (alignment.shift_frames, alignment.how) == (64, "unverified")


def test_the_phase_of_a_filter_on_a_low_note_corrects_nothing():
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    note = (0.2 * np.sin(2 * np.pi * 55 * time_s) * np.hanning(len(time_s)))[None]
    note = note.astype(np.float32)
    low = lfilter([0.12], [1, -0.88], note)
    tilted = (0.9 * low + 1.1 * (note - low)).astype(np.float32)
    assert found(note, late(tilted, 64), 64, 64).shift_frames == 64


LOW_HZ = 8_000  # makes a song of less work


def song(seconds=26):
    return (0.1 * np.random.default_rng(8).standard_normal((1, seconds * LOW_HZ))).astype(
        np.float32
    )


def found_in_song(samples, output, reported):
    return find_alignment(
        samples, output, LOW_HZ, reported_frames=reported, impulse_frames=reported
    )


def test_a_song_is_aligned_by_its_excerpts_as_by_the_whole():
    alignment = found_in_song(song(), late(song(), 300), 64)
    assert (alignment.shift_frames, alignment.how) == (300, "corrected")
    alignment = found_in_song(song(), late(song(), 64), 64)
    assert (alignment.shift_frames, alignment.how, alignment.note) == (64, "agreed", None)


def test_where_an_excerpt_is_silent_the_whole_song_tells_the_delay():
    faded = song()
    faded[:, -10 * LOW_HZ :] = 0.0
    alignment = found_in_song(faded, late(faded, 300), 64)
    assert (alignment.shift_frames, alignment.how) == (300, "corrected")


def test_a_delay_that_changes_within_a_song_is_noted():
    output = late(song(), 300)
    output[:, : 20 * LOW_HZ] = late(song(), 64)[:, : 20 * LOW_HZ]
    alignment = found_in_song(song(), output, 64)
    assert alignment.shift_frames == 64
    assert alignment.note == "its delay changes within the song: 64, 64, 300 frames"
