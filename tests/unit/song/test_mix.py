"""The mix is the sum of the groups; a bounce of it is compared with that sum."""

from dataclasses import dataclass

import numpy as np
import pytest

from chainweigh.errors import SignalError
from chainweigh.song import load_song, mix_of, sum_of


@dataclass
class Part:
    samples: np.ndarray


def part(values):
    return Part(np.array(values, np.float32))


def test_the_mix_is_summed_in_float64_and_rounded_once():
    parts = [part([[1.0], [1.0]]), part([[2**-24], [0]]), part([[2**-24], [0]])]
    mix = mix_of(parts)
    assert mix.dtype == np.float32
    assert mix.tolist() == [[1 + 2**-23], [1.0]]


def test_a_long_mix_equals_the_whole_array_sum():
    rng = np.random.default_rng(4)
    parts = [rng.normal(0, 1, (2, 150_001)).astype(np.float32) for _ in range(5)]
    expected = np.sum(np.stack(parts), axis=0, dtype=np.float64).astype(np.float32)
    assert np.array_equal(sum_of(parts), expected)


def test_the_mix_of_one_group_is_a_copy_of_it():
    only = part([[0.1, 0.2], [0.3, 0.4]])
    mix = mix_of([only])
    assert np.array_equal(mix, only.samples)
    assert not np.shares_memory(mix, only.samples)


def test_parts_of_different_lengths_are_refused():
    with pytest.raises(SignalError, match=r"\(2, 1\), \(2, 2\)\]; they must be equal"):
        mix_of([part([[0, 0], [0, 0]]), part([[0], [0]])])


def test_no_parts_are_refused():
    with pytest.raises(SignalError, match="nothing to mix"):
        mix_of([])


@pytest.fixture
def stems(song_folder):
    rng = np.random.default_rng(9)
    drums, bass = rng.normal(0, 0.1, (2, 2, 4800)).astype(np.float32)
    song_folder.stem("drums.wav", drums)
    song_folder.stem("bass.wav", bass)
    song_folder.toml('mix = "mix.wav"\n')
    return drums.astype(float) + bass


def test_a_bounce_that_is_the_sum_has_no_difference_to_state(song_folder, stems):
    song_folder.stem("mix.wav", stems)
    song = load_song(song_folder.path)
    reason = "the stems sum to mix.wav to the last bit"
    assert song.mix_difference_db is None
    assert song.undefined == {"mix_difference_db": reason}
    assert song.notes == (reason,)
    assert np.array_equal(song.mix_file_samples, mix_of(song.groups))


@pytest.mark.parametrize(
    ("gain", "expected_db"),
    [(0.5, 0.0), (2.0, -6.0206), (1 / 1.0001, -80.0)],  # |1/gain - 1| in dB, closed form
)
def test_the_difference_is_stated_re_the_rms_of_the_bounce(song_folder, stems, gain, expected_db):
    song_folder.stem("mix.wav", gain * stems)
    song = load_song(song_folder.path)
    assert song.mix_difference_db == pytest.approx(expected_db, abs=0.01)
    assert song.undefined == {}
    (note,) = song.notes
    assert f"differs from mix.wav by {expected_db:.1f} dB re its RMS" in note


def note_on_bounce(song_folder, bounce):
    song_folder.stem("mix.wav", bounce)
    (note,) = load_song(song_folder.path).notes
    return note.partition("re its RMS")[2]


def test_a_bounce_that_differs_only_in_level_is_recognised(song_folder, stems):
    note = note_on_bounce(song_folder, 0.5 * stems)
    assert note == "; with the bounce at +6.02 dB nothing is left, so only its level differs"


def test_a_quantised_bounce_at_another_level_is_recognised(song_folder, stems):
    note = note_on_bounce(song_folder, np.round(0.5 * stems * 2**15) / 2**15)
    assert note.startswith("; with the bounce at +6.02 dB ")
    assert note.endswith(" dB is left, so only its level differs")
    # Rounding to 16 bits leaves 2^-15 / sqrt(12), the bounce has an RMS of 0.05 sqrt(2): -78.1 dB.
    assert float(note.split()[7]) == pytest.approx(-78.1, abs=0.2)


@pytest.mark.parametrize(
    "change",
    [np.tanh, lambda mix: np.roll(mix, 1), lambda mix: -mix],
    ids=["processed", "shifted", "inverted"],
)
def test_a_bounce_that_differs_in_more_is_asked_about(song_folder, stems, change):
    note = note_on_bounce(song_folder, change(5 * stems) / 5)
    assert note == ": is a stem missing, or was the bounce processed or shifted?"


def test_a_bounce_close_to_the_sum_raises_no_question(song_folder, stems):
    assert note_on_bounce(song_folder, np.round(stems * 2**15) / 2**15) == ""


def test_a_longer_bounce_makes_the_song_as_long(song_folder, stems):
    song_folder.stem("mix.wav", np.pad(stems, ((0, 0), (0, 200))))
    song = load_song(song_folder.path)
    assert song.n_frames == 5000
    assert song.mix_file_samples.shape == song.groups[0].samples.shape == (2, 5000)
    assert "bass.wav was padded" in song.notes[0]
    assert "200 frames (0.004 s), to the length of mix.wav" in song.notes[0]


def test_a_silent_bounce_leaves_the_difference_undefined(song_folder, stems):
    song_folder.stem("mix.wav", 0 * stems)
    song = load_song(song_folder.path)
    assert song.mix_difference_db is None
    assert song.undefined == {"mix_difference_db": "the bounce mix.wav is silent"}
    assert "the bounce mix.wav is silent" in song.notes


def test_without_a_bounce_the_difference_says_why_it_is_missing(song_folder):
    song_folder.stem("bass.wav", [[0.5], [0.5]])
    song = load_song(song_folder.path)
    assert (song.mix_file, song.mix_file_samples, song.mix_difference_db) == (None, None, None)
    assert song.undefined == {"mix_difference_db": "song.toml names no mix"}
