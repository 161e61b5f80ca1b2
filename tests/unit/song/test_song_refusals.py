"""Songs that cannot be used: each message names the place, the fault and what is allowed."""

import subprocess
import sys

import numpy as np
import pytest

from chainweigh.errors import AudioFileError, SignalError, SongError
from chainweigh.song import load_song

STEREO = [[0.5, 0.25], [-0.5, 0.125]]


def refusal(folder, kind=SongError, **options):
    with pytest.raises(kind) as error:
        load_song(folder, **options)
    return str(error.value)


# The folder


def test_a_missing_folder_is_named(tmp_path):
    assert refusal(tmp_path / "gone") == f"{tmp_path / 'gone'}: no such folder"


def test_a_file_in_the_folders_place_is_refused(song_folder):
    song_folder.stem("bass.wav", STEREO)
    message = refusal(song_folder.path / "bass.wav")
    assert "bass.wav: is a file; name the folder" in message


def test_a_runs_folder_is_no_song(song_folder):
    song_folder.stem("audio/master/reference.wav", STEREO)
    song_folder.other("results.json", b"{}")
    assert "it is a run's folder, not a song's" in refusal(song_folder.path)


def test_a_folder_without_audio_is_refused(song_folder):
    song_folder.other("lyrics.txt")
    song_folder.other("midi/bass.mid")
    song_folder.other(".bass.wav")
    message = refusal(song_folder.path)
    assert message.startswith(f"{song_folder.path}: holds no stems")
    assert "WAV, AIFF, FLAC" in message


# Names


@pytest.mark.parametrize("name", ["master", "Master", " MASTER! "])
def test_a_group_named_master_is_refused(song_folder, name):
    song_folder.stem(f"{name}/mix.wav", STEREO)
    song_folder.stem("bass/bass.wav", STEREO)
    assert f'group "{name}": the name master is reserved' in refusal(song_folder.path)


def test_names_that_collide_as_file_names_are_both_named(song_folder):
    song_folder.stem("Lead Synth/a.wav", STEREO)
    song_folder.stem("lead-synth/b.wav", STEREO)
    message = refusal(song_folder.path)
    assert '"Lead Synth" and "lead-synth"' in message
    assert 'would both be written as "lead-synth"' in message


def test_two_formats_of_one_stem_are_both_named(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.stem("bass.aiff", STEREO)
    assert 'bass.aiff and bass.wav would both be group "bass"' in refusal(song_folder.path)


def test_a_group_without_a_name_is_refused(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.toml('[groups]\n" " = "bass.wav"\n')
    assert "a group has no name" in refusal(song_folder.path)


# The stems


def test_a_stray_rate_is_refused_with_both_files_and_the_way_out(song_folder):
    song_folder.stem("bass.wav", STEREO, rate_hz=44_100)
    song_folder.stem("drums.wav", STEREO)
    song_folder.stem("lead.wav", STEREO)
    message = refusal(song_folder.path)
    assert "bass.wav is at 44100 Hz" in message
    assert "drums.wav and 1 more at 48000 Hz" in message
    assert "--resample 48000" in message


def test_a_bounce_at_another_rate_is_refused_too(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.stem("drums.wav", STEREO)
    song_folder.stem("mix.wav", STEREO, rate_hz=96_000)
    song_folder.toml('mix = "mix.wav"')
    assert "mix.wav is at 96000 Hz, bass.wav and 1 more at 48000 Hz" in refusal(song_folder.path)


def test_a_rate_out_of_range_cannot_be_asked_for(song_folder):
    song_folder.stem("bass.wav", STEREO)
    message = refusal(song_folder.path, SignalError, resample_hz=48)
    assert "48 Hz; 8000 to 384000 Hz is allowed; was kHz meant?" in message


@pytest.mark.parametrize(
    ("level", "named"), [(0.0, "every sample is zero"), (0.9e-6, "its peak is -120.9 dBFS")]
)
def test_a_silent_group_is_named(song_folder, level, named):
    song_folder.stem("bass.wav", STEREO)
    song_folder.stem("pads.wav", [[0, level], [0, -level]])
    message = refusal(song_folder.path)
    assert f'group "pads" is silent: {named}; above -120 dBFS is needed' in message


def test_a_group_just_above_silence_is_read(song_folder):
    song_folder.stem("pads.wav", [[0, 0], [0, -1.1e-6]])
    assert len(load_song(song_folder.path).groups) == 1


def test_files_that_cancel_make_a_silent_group(song_folder):
    song_folder.stem("pads/a.wav", STEREO)
    song_folder.stem("pads/b.wav", -np.array(STEREO))
    assert 'group "pads" is silent: every sample is zero' in refusal(song_folder.path)


def test_more_than_two_channels_are_refused(song_folder):
    song_folder.stem("bass.wav", [[0.1], [0.1], [0.1]])
    message = refusal(song_folder.path, AudioFileError)
    assert message == f"{song_folder.path / 'bass.wav'}: has 3 channels; 1 or 2 are allowed"


@pytest.mark.parametrize("name", ["bass.wav", "bass.flac", "bass.m4a"])
def test_a_file_with_an_audio_name_must_be_audio(song_folder, name):
    song_folder.stem("drums.wav", STEREO)
    song_folder.other(name, b"no audio at all, only these words" * 4)
    message = refusal(song_folder.path, AudioFileError)
    assert message.startswith(f"{song_folder.path / name}: not audio")


def test_a_bad_sample_is_named_with_its_place(song_folder):
    song_folder.stem("bass.wav", [[0.1, float("nan")], [0.1, 0.1]])
    message = refusal(song_folder.path, AudioFileError)
    assert "bass.wav: frame 1 of channel 0 is nan" in message


def test_a_name_that_is_not_utf_8_is_shown_by_its_bytes(song_folder):
    song_folder.stem("b\udce4ss.wav", STEREO)  # the byte E4, as Python spells it in a file name
    assert "the name b\\udce4ss.wav is not UTF-8; rename the file" in refusal(song_folder.path)


def test_a_sub_folder_that_may_not_be_read_is_named_not_passed_over(song_folder):
    """Permission bits do not bind root, so root loads in a child that has given root up."""
    song_folder.stem("bass/bass.wav", STEREO)
    song_folder.stem("drums/close/kick.wav", STEREO)
    (song_folder.path / "drums" / "close").chmod(0)
    song_folder.path.parent.chmod(0o755)
    code = (
        "import os, sys, chainweigh.song as song, chainweigh.errors, soundfile\n"
        "os.chdir(sys.argv[1])\n"
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: song.load_song('.')\n"
        "except chainweigh.errors.SongError as error: print(error)\n"
    )
    child = subprocess.run(
        [sys.executable, "-c", code, song_folder.path], capture_output=True, text=True
    )
    (song_folder.path / "drums" / "close").chmod(0o755)
    assert child.stdout.strip() == "drums/close: cannot be read: Permission denied", child.stderr


# song.toml


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("tempo_bmp = 120", 'key "tempo_bmp" is not known; closest: tempo_bpm'),
        ("Group = 1", 'key "Group" is not known; closest: groups'),
        (
            "xyz = 1",
            'key "xyz" is not known; there are: title, tempo_bpm, beats_per_bar, groups, mix',
        ),
        ("title = 'a'\ntempo_bpm = ", "TOML syntax error: Invalid value (at line 2, the last)"),
        ("title = 'a'\nmix == 3\n", "TOML syntax error: Invalid value (at line 2, column 6)"),
        ("tempo_bpm = 19.9", "tempo_bpm = 19.9; 20 to 400 BPM is allowed"),
        ("tempo_bpm = 401", "tempo_bpm = 401; 20 to 400 BPM is allowed"),
        ("tempo_bpm = nan", "tempo_bpm = nan; 20 to 400 BPM is allowed"),
        ("tempo_bpm = true", "tempo_bpm = True; 20 to 400 BPM is allowed"),
        ("tempo_bpm = '120'", "tempo_bpm = '120'; 20 to 400 BPM is allowed"),
        ("beats_per_bar = 0", "beats_per_bar = 0; a whole number from 1 to 32 is needed"),
        ("beats_per_bar = 33", "beats_per_bar = 33; a whole number from 1 to 32 is needed"),
        ("beats_per_bar = 3.5", "beats_per_bar = 3.5; a whole number"),
        ("title = 7", "title = 7; a text in quotes is needed"),
        ("title = ' '", "title = ' '; a text in quotes is needed"),
        ("mix = ['a.wav']", "mix = ['a.wav']; a text in quotes is needed"),
        ("[groups]", "[groups] needs at least one line"),
        ("groups = 'bass.wav'", "[groups] needs at least one line"),
        ("[groups]\nbass = []", '[groups] "bass" = []; a file, a glob, or a list'),
        ("[groups]\nbass = 3", '[groups] "bass" = 3; a file, a glob, or a list'),
        ("[groups]\nbass = ['bass.wav', 3]", "[groups] \"bass\" = ['bass.wav', 3]; a file"),
        ("[groups]\nbass = ''", "[groups] \"bass\" = ''; a file, a glob, or a list"),
    ],
)
def test_a_fault_in_song_toml_is_named_with_key_value_and_range(song_folder, text, expected):
    song_folder.stem("bass.wav", STEREO)
    song_folder.toml(text)
    message = refusal(song_folder.path)
    assert message.startswith(f"{song_folder.path / 'song.toml'}: ")
    assert expected in message


@pytest.mark.parametrize("tempo", ["20", "400.0"])
def test_a_tempo_at_the_edge_of_the_range_is_read(song_folder, tempo):
    song_folder.stem("bass.wav", STEREO)
    song_folder.toml(f"tempo_bpm = {tempo}")
    assert load_song(song_folder.path).tempo_bpm == float(tempo)


def test_a_song_toml_that_is_not_utf_8_is_refused_with_its_place(song_folder):
    song_folder.stem("bass.wav", STEREO)
    song_folder.other("song.toml", b'title = "Caf\xe9"\n')
    assert "song.toml: byte 12 is not UTF-8" in refusal(song_folder.path)


def test_a_song_toml_that_is_a_folder_is_refused(song_folder):
    song_folder.stem("bass.wav", STEREO)
    (song_folder.path / "song.toml").mkdir()
    assert "song.toml: cannot be read: Is a directory" in refusal(song_folder.path)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("bass = 'Bas.wav'", '[groups] "bass": no file "Bas.wav" in {folder}; closest: bass.wav'),
        ("bass = 'b/*.wav'", 'glob "b/*.wav" matches no audio file in {folder}'),
        ("bass = '*.txt'", 'glob "*.txt" matches no audio file in {folder}'),
        ("bass = 'pads'", '"pads" is a folder; write "pads/*"'),
        ("bass = '../other.wav'", '"../other.wav" leaves the song\'s folder; files are named rel'),
        ("bass = 'pads/../../*.wav'", '"pads/../../*.wav" leaves the song\'s folder'),
        ("bass = '/etc/stem.wav'", '"/etc/stem.wav" leaves the song\'s folder'),
        ("bass = 'C:\\stem.wav'", '"C:\\stem.wav" leaves the song\'s folder'),
    ],
)
def test_a_file_or_glob_that_cannot_be_used_is_named(song_folder, text, expected):
    song_folder.stem("bass.wav", STEREO)
    song_folder.stem("pads/pad.wav", STEREO)
    song_folder.other("notes.txt")
    song_folder.toml(f"[groups]\n{text}\n")
    message = refusal(song_folder.path)
    assert message.startswith(f"{song_folder.path / 'song.toml'}: ")
    assert expected.format(folder=song_folder.path) in message


@pytest.mark.parametrize("name", ["mixx.wav", "../mix.wav", "pads"])
def test_the_mix_is_held_to_the_same_rules(song_folder, name):
    song_folder.stem("mix.wav", STEREO)
    song_folder.stem("pads/pad.wav", STEREO)
    song_folder.toml(f'mix = "{name}"')
    assert "song.toml: mix: " in refusal(song_folder.path)
    assert f'"{name}"' in refusal(song_folder.path)


def test_a_file_in_two_groups_is_named_with_both(song_folder):
    song_folder.stem("kick.wav", STEREO)
    song_folder.stem("bass.wav", STEREO)
    song_folder.toml("[groups]\ndrums = '*.wav'\nbass = 'bass.wav'\n")
    message = refusal(song_folder.path)
    assert 'bass.wav is in group "drums" and in group "bass"; it may be in one only' in message


def test_the_bounce_of_the_mix_in_a_group_is_named(song_folder):
    song_folder.stem("kick.wav", STEREO)
    song_folder.stem("mix.wav", STEREO)
    song_folder.toml("mix = 'mix.wav'\n[groups]\ndrums = '*.wav'\n")
    assert 'mix.wav is in the mix and in group "drums"' in refusal(song_folder.path)


def test_one_file_under_two_names_is_seen(song_folder):
    song_folder.stem("drums/kick.wav", STEREO)
    song_folder.stem("bass/bass.wav", STEREO)
    (song_folder.path / "drums" / "sub.wav").symlink_to(song_folder.path / "bass" / "bass.wav")
    message = refusal(song_folder.path)
    assert "drums/sub.wav (the same file as bass/bass.wav)" in message
    assert 'group "bass" and in group "drums"' in message
