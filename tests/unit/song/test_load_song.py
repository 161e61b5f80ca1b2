"""Songs as they are meant to be: layouts, song.toml, one time line."""

import numpy as np
import pytest

from chainweigh.audio import digest_samples
from chainweigh.song import load_song

STEREO = [[0.5, 0.25], [-0.5, 0.125]]


def layout(song):
    return {group.name: group.files for group in song.groups}


def test_each_sub_folder_with_audio_is_a_group(song_folder):
    song_folder.stem("drums/kick.wav", STEREO)
    song_folder.stem("drums/close/snare.wav", STEREO)
    song_folder.stem("Bass/bass.WAV", STEREO)
    song_folder.other("drums/ideas.txt")
    song_folder.other("midi/lead.mid")
    song_folder.other("cover.png")
    song_folder.other(".hidden/old.wav")
    song_folder.other("drums/.old.wav")
    song_folder.other("drums/.takes/old.wav")
    song_folder.other("drums/._kick.wav")
    song = load_song(song_folder.path)
    assert layout(song) == {
        "Bass": ("Bass/bass.WAV",),
        "drums": ("drums/close/snare.wav", "drums/kick.wav"),
    }
    assert (song.title, song.folder_name) == ("night-bus", "night-bus")
    assert (song.tempo_bpm, song.beats_per_bar, song.sample_rate_hz) == (None, None, 48_000)
    assert song.notes == ()


def test_without_sub_folders_each_file_is_a_group(song_folder):
    song_folder.stem("lead synth.wav", STEREO)
    song_folder.stem("bass.wav", STEREO)
    song_folder.other("lyrics.txt")
    song_folder.other(".bass.wav")
    assert layout(load_song(song_folder.path)) == {
        "bass": ("bass.wav",),
        "lead synth": ("lead synth.wav",),
    }


def test_a_file_beside_the_groups_folders_is_left_out_and_said_so(song_folder):
    song_folder.stem("drums/kick.wav", STEREO)
    song_folder.stem("bounce.wav", STEREO)
    song = load_song(song_folder.path)
    assert layout(song) == {"drums": ("drums/kick.wav",)}
    (note,) = song.notes
    assert "bounce.wav is in no group" in note
    assert 'mix = "bounce.wav"' in note


def test_an_earlier_run_inside_the_song_is_passed_over_and_said_so(song_folder):
    song_folder.stem("drums/kick.wav", STEREO)
    song_folder.stem("weighed/audio/drums/reference.wav", STEREO)
    song_folder.other("weighed/results.json", b"{}")
    song = load_song(song_folder.path)
    assert layout(song) == {"drums": ("drums/kick.wav",)}
    assert song.notes == ("weighed is passed over: it is a run's folder (results.json)",)


def test_song_toml_names_groups_by_file_list_and_glob_in_its_own_order(song_folder):
    for name in ("kick.wav", "snare.wav", "bass [wet].wav", "pads/a.wav", "pads/deep/b.wav"):
        song_folder.stem(name, STEREO)
    song_folder.other("pads/notes.txt")
    song_folder.other("pads/.hidden/c.wav")
    song_folder.toml(
        """
        title = "Night Bus"
        tempo_bpm = 128
        beats_per_bar = 4
        [groups]
        "The Pads" = "pads/**/*"
        drums = ["snare.wav", "kick.wav", "k*.wav"]
        bass = "bass [wet].wav"
        """
    )
    song = load_song(song_folder.path)
    assert layout(song) == {
        "The Pads": ("pads/a.wav", "pads/deep/b.wav"),
        "drums": ("kick.wav", "snare.wav"),
        "bass": ("bass [wet].wav",),
    }
    assert list(layout(song)) == ["The Pads", "drums", "bass"]
    assert (song.title, song.tempo_bpm, song.beats_per_bar) == ("Night Bus", 128.0, 4)


def test_song_toml_without_groups_leaves_them_to_the_layout(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.stem("mix.wav", STEREO)
    song_folder.toml('tempo_bpm = 87.5\nmix = "mix.wav"\n')
    song = load_song(song_folder.path)
    assert layout(song) == {"bass": ("bass.wav",)}
    assert (song.tempo_bpm, song.mix_file) == (87.5, "mix.wav")


def test_a_file_with_a_byte_order_mark_is_read(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.other("song.toml", b'\xef\xbb\xbftitle = "Caf\xc3\xa9"\r\n')
    assert load_song(str(song_folder.path)).title == "Café"


def test_a_group_is_the_float64_sum_of_its_files_in_order_of_name(song_folder):
    """1 + 2^-24 + 2^-24 is 1 + 2^-23 in float64, and 1 when each sum is rounded to float32."""
    song_folder.stem("drums/a.wav", [[1.0], [1.0]])
    song_folder.stem("drums/b.wav", [[2**-24], [0.0]])
    song_folder.stem("drums/c.wav", [[2**-24], [0.0]])
    (group,) = load_song(song_folder.path).groups
    assert group.samples.dtype == np.float32
    assert group.samples.tolist() == [[1 + 2**-23], [1.0]]


def test_mono_plays_on_both_sides_at_unity_and_is_said_so(song_folder):
    song_folder.stem("bass.wav", [[0.5, -0.25]])
    song = load_song(song_folder.path)
    assert song.groups[0].samples.tolist() == [[0.5, -0.25], [0.5, -0.25]]
    assert song.notes == ("bass.wav is mono: it plays on both sides at unity",)


def test_shorter_files_are_padded_at_their_end_and_said_so(song_folder):
    long = np.full((2, 48_000), 0.25)
    song_folder.stem("drums.wav", long)
    song_folder.stem("bass.wav", long[:, :36_000])
    song = load_song(song_folder.path)
    bass, drums = song.groups
    assert bass.samples.shape == drums.samples.shape == (2, 48_000)
    assert bass.samples[:, :36_000].all()
    assert not bass.samples[:, 36_000:].any()
    assert (song.n_frames, song.duration_s) == (48_000, 1.0)
    assert song.notes == (
        "bass.wav was padded with silence at its end by 12000 frames (0.250 s), "
        "to the length of drums.wav",
    )


def test_a_stray_rate_is_converted_when_asked_and_said_so(song_folder):
    rng = np.random.default_rng(2)
    drums = rng.normal(0, 0.1, (2, 48_000)).astype(np.float32)
    song_folder.stem("drums.wav", drums)
    song_folder.stem("bass.wav", rng.normal(0, 0.1, (2, 44_100)), rate_hz=44_100)
    song = load_song(song_folder.path, resample_hz=48_000)
    bass, kept = song.groups
    assert song.sample_rate_hz == bass.sample_rate_hz == kept.sample_rate_hz == 48_000
    assert bass.samples.shape == (2, 48_000)
    assert np.array_equal(kept.samples, drums)
    assert song.notes == ("bass.wav was resampled from 44100 Hz to 48000 Hz",)


def test_a_song_of_one_rate_is_converted_when_asked(song_folder):
    song_folder.stem("bass.wav", np.full((2, 100), 0.1), rate_hz=96_000)
    song = load_song(song_folder.path, resample_hz=48_000)
    assert (song.sample_rate_hz, song.n_frames) == (48_000, 50)


def test_a_silent_file_in_a_group_that_sounds_is_said_so(song_folder):
    song_folder.stem("drums/kick.wav", STEREO)
    song_folder.stem("drums/room.wav", [[0, 0], [0, 0]])
    assert load_song(song_folder.path).notes == ("drums/room.wav is silent",)


def test_groups_cannot_be_changed_by_accident(song_folder):
    song_folder.stem("bass.wav", STEREO)
    (group,) = load_song(song_folder.path).groups
    with pytest.raises(ValueError, match="read-only"):
        group.samples[0, 0] = 1


def test_digests_depend_on_content_alone(song_folder):
    song_folder.stem("a/one.wav", STEREO)
    song_folder.stem("b/two.wav", STEREO)
    song_folder.stem("c/three.wav", [[0.5, 0.25], [-0.5, 0.126]])
    a, b, c = load_song(song_folder.path).groups
    assert a.digest == b.digest == digest_samples(np.array(STEREO, np.float32), 48_000)
    assert a.file_digests == b.file_digests == (a.digest,)
    assert c.digest != a.digest


def test_a_song_read_twice_is_the_same(song_folder):
    rng = np.random.default_rng(8)
    for name in ("drums/kick.wav", "drums/hat.wav", "bass/bass.wav"):
        song_folder.stem(name, rng.normal(0, 0.1, (2, 1000)))
    one, other = load_song(song_folder.path), load_song(song_folder.path)
    assert [g.digest for g in one.groups] == [g.digest for g in other.groups]
    assert one.notes == other.notes


def test_a_linked_stem_outside_the_folder_is_read(song_folder, tmp_path):
    song_folder.stem("bass.wav", STEREO)
    (song_folder.path / "bass.wav").rename(tmp_path / "elsewhere.wav")
    (song_folder.path / "bass.wav").symlink_to(tmp_path / "elsewhere.wav")
    assert layout(load_song(song_folder.path)) == {"bass": ("bass.wav",)}
