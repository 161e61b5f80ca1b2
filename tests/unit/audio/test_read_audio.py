"""Reading audio files: sample values from the formats' specifications, and every bad input."""

import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from chainweigh.audio import AudioHeader, read_audio, read_header
from chainweigh.audio.files import name_text
from chainweigh.errors import AudioFileError

FLOAT = 3


def packed_24(values: list[int]) -> bytes:
    return b"".join(value.to_bytes(3, "little", signed=True) for value in values)


@pytest.mark.parametrize("extensible", [False, True], ids=["plain", "extensible"])
@pytest.mark.parametrize(
    ("bits", "data", "expected"),
    [
        # Offset binary for 8 bits, two's complement above (RIFF specification, PCM format).
        (8, bytes([0, 128, 255]), [-1.0, 0.0, 127 / 128]),
        (16, struct.pack("<3h", -(2**15), 1, 2**15 - 1), [-1.0, 2**-15, 1 - 2**-15]),
        (24, packed_24([-(2**23), 1, 2**23 - 1]), [-1.0, 2**-23, 1 - 2**-23]),
        (32, struct.pack("<3i", -(2**31), 2**8, 2**30), [-1.0, 2**-23, 0.5]),
    ],
)
def test_integer_samples_are_divided_by_full_scale(put, wav, bits, data, expected, extensible):
    audio = read_audio(put(wav(data, bits=bits, extensible=extensible)))
    assert audio.samples.dtype == np.float32
    assert audio.samples.tolist() == [expected]


@pytest.mark.parametrize("extensible", [False, True], ids=["plain", "extensible"])
@pytest.mark.parametrize(("bits", "code"), [(32, "f"), (64, "d")])
def test_float_samples_above_full_scale_are_kept(put, wav, bits, code, extensible):
    values = [1.5, -3.25, 0.125]
    data = struct.pack(f"<3{code}", *values)
    audio = read_audio(put(wav(data, tag=FLOAT, bits=bits, extensible=extensible)))
    assert audio.samples.tolist() == [values]


def test_channels_come_first_and_memory_is_contiguous(put, wav):
    data = struct.pack("<6h", 1 << 8, 2 << 8, 3 << 8, 4 << 8, 5 << 8, 6 << 8)
    audio = read_audio(put(wav(data, n_channels=2, rate_hz=44_100)))
    assert (audio.samples * 128).tolist() == [[1, 3, 5], [2, 4, 6]]
    assert audio.samples.flags.c_contiguous
    assert audio.sample_rate_hz == 44_100


def test_a_file_longer_than_one_block_is_read_in_order(put, wav):
    ramp = (np.arange(2 * 150_001) % 30_000).astype("<i2")
    audio = read_audio(put(wav(ramp.tobytes(), n_channels=2)))
    assert np.array_equal(audio.samples * 32_768, ramp.reshape(-1, 2).T)


def test_chunks_before_and_after_the_samples_are_no_samples(put, wav):
    odd = b"JUNK" + struct.pack("<I", 3) + b"abc\0"
    audio = read_audio(put(wav(struct.pack("<h", 2**14), before=odd, after=odd)))
    assert audio.samples.tolist() == [[0.5]]


def test_a_chunk_cut_off_behind_the_samples_does_no_harm(put, wav):
    cut = b"LIST" + struct.pack("<I", 1000) + b"INFO"
    assert read_audio(put(wav(struct.pack("<2h", 2**14, 0), after=cut))).n_frames == 2


def test_aiff_is_read_big_endian(put, aiff):
    path = put(aiff(struct.pack(">2h", -(2**15), 2**14), n_frames=2), "stem.aiff")
    audio = read_audio(path)
    assert audio.samples.tolist() == [[-1.0, 0.5]]
    assert audio.sample_rate_hz == 48_000


def test_rf64_takes_its_length_from_ds64(put, rf64):
    assert read_audio(
        put(rf64(struct.pack("<2h", 2**14, -(2**14)), stated=4))
    ).samples.tolist() == [[0.5, -0.5]]


def test_a_stream_that_states_no_length_is_read_to_its_end(put, wav):
    data = struct.pack("<2h", 2**14, 2**13)
    assert read_audio(put(wav(data, stated=0xFFFF_FFFF))).n_frames == 2


def test_flac_gives_the_integers_that_went_in(tmp_path):
    import soundfile  # writes the fixture; the truth is the integers

    values = np.random.default_rng(7).integers(-(2**15), 2**15, (5000, 2), dtype=np.int16)
    soundfile.write(tmp_path / "stem.flac", values, 44_100, subtype="PCM_16")
    audio = read_audio(tmp_path / "stem.flac")
    assert np.array_equal(audio.samples * 32_768, values.T)


def test_the_header_is_read_without_the_samples(put, wav):
    not_a_number = struct.pack("<4f", float("nan"), 0, 0, 0)
    path = put(wav(not_a_number, tag=FLOAT, bits=32, n_channels=2, rate_hz=96_000))
    assert read_header(path) == AudioHeader(2, 2, 96_000, "WAV FLOAT")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems' names are always text")
def test_a_name_that_is_not_text_is_read_and_can_be_written(tmp_path, wav):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/loud\xff.wav"))
    path.write_bytes(wav(b"\0\0\0\x40", bits=16))
    assert read_audio(path).samples.tolist() == [[0.0, 0.5]]
    assert name_text(path.name) == "loud?.wav"


def test_a_path_may_be_text(put, wav):
    assert read_audio(str(put(wav(b"\0\1")))).n_frames == 1


# Bad input: each message names the file, what is wrong and what is allowed.


def refusal(path: Path) -> str:
    """What both readers say; the header alone must be enough to see it."""
    with pytest.raises(AudioFileError) as by_header:
        read_header(path)
    with pytest.raises(AudioFileError) as by_samples:
        read_audio(path)
    assert str(by_header.value) == str(by_samples.value)
    assert str(by_samples.value).startswith(str(path))
    return str(by_samples.value)


def test_a_missing_file_is_named(tmp_path):
    assert "no such file" in refusal(tmp_path / "gone.wav")


def test_a_folder_is_refused(tmp_path):
    assert "is a folder; an audio file is needed" in refusal(tmp_path)


def test_a_path_through_a_file_is_refused(put):
    assert "cannot be read: Not a directory" in refusal(put(b"x") / "stem.wav")


def test_a_named_pipe_is_refused_without_waiting_for_a_writer(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    assert "not a regular file" in refusal(tmp_path / "pipe.wav")


def test_a_file_without_permission_is_refused(put, wav, tmp_path):
    """Permission bits do not bind root, so root reads in a child that has given root up."""
    path = put(wav(b"\0\0"))
    path.chmod(0)
    code = (
        "import os, sys, pathlib, chainweigh.audio.files as files, soundfile\n"
        "path = pathlib.Path(sys.argv[1])\n"
        "os.chdir(path.parent)\n"
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: files.read_audio(path.name)\n"
        "except files.AudioFileError as error: print(error)\n"
    )
    tmp_path.chmod(0o755)
    child = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True)
    assert child.stdout.strip() == "stem.wav: cannot be read: Permission denied", child.stderr


def test_an_empty_file_is_refused(put):
    assert "is empty (0 bytes); WAV, AIFF, FLAC" in refusal(put(b""))


def test_a_header_without_frames_is_refused(put, wav):
    assert "holds no audio (0 frames)" in refusal(put(wav(b"")))


@pytest.mark.parametrize("name", ["notes.wav", "notes.raw", "notes.flac"])
def test_a_file_that_is_not_audio_is_refused(put, name):
    message = refusal(put(b"Remember to bounce the bass again.\n" * 9, name))
    assert "not audio" in message
    assert "WAV, AIFF, FLAC" in message


@pytest.mark.parametrize("n_channels", [3, 6])
def test_more_than_two_channels_are_refused(put, wav, n_channels):
    message = refusal(put(wav(b"\0" * 24, n_channels=n_channels)))
    assert f"has {n_channels} channels; 1 or 2 are allowed" in message


@pytest.mark.parametrize("rate_hz", [7_999, 384_001])
def test_a_rate_out_of_range_is_refused(put, wav, rate_hz):
    message = refusal(put(wav(b"\0\0", rate_hz=rate_hz)))
    assert f"{rate_hz} Hz; 8000 to 384000 Hz is allowed" in message


@pytest.mark.parametrize("rate_hz", [8_000, 384_000])
def test_a_rate_at_the_edge_of_the_range_is_read(put, wav, rate_hz):
    assert read_audio(put(wav(b"\0\0", rate_hz=rate_hz))).sample_rate_hz == rate_hz


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_a_sample_that_is_no_finite_number_is_refused_with_its_place(put, wav, value):
    samples = np.zeros((70_000, 2), dtype="<f4")
    samples[69_000, 1] = float(value)
    samples[69_500, 0] = float(value)
    path = put(wav(samples.tobytes(), tag=FLOAT, bits=32, n_channels=2))
    with pytest.raises(AudioFileError) as error:
        read_audio(path)
    assert str(error.value).startswith(f"{path}: frame 69000 of channel 1 is {value}")


def test_a_double_too_large_for_float32_is_refused(put, wav):
    with pytest.raises(AudioFileError, match="frame 1 of channel 0 is inf"):
        read_audio(put(wav(struct.pack("<2d", 0.0, 1e300), tag=FLOAT, bits=64)))


# Cut short: the header states more than the file holds.


def test_a_wav_cut_short_is_refused(put, wav):
    path = put(wav(b"\0\1" * 100, stated=2000))
    message = refusal(path)
    assert "cut short: its header states 1800 bytes of audio more" in message
    assert f"{path.stat().st_size} bytes the file holds" in message


def test_a_wav_cut_short_behind_a_chunk_of_odd_length_is_refused(put, wav):
    odd = b"JUNK" + struct.pack("<I", 3) + b"abc\0"
    assert "states 40 bytes of audio more" in refusal(
        put(wav(b"\0\1" * 30, stated=100, before=odd))
    )


def test_a_big_endian_wav_cut_short_is_refused(put):
    fmt = b"fmt " + struct.pack(">IHHIIHH", 16, 1, 1, 48_000, 96_000, 2, 16)
    data = b"data" + struct.pack(">I", 100) + b"\0" * 60
    assert "states 40 bytes of audio more" in refusal(put(b"RIFX\0\0\0\xb0WAVE" + fmt + data))


def test_an_rf64_cut_short_is_refused(put, rf64):
    assert "states 6 bytes of audio more" in refusal(put(rf64(b"\0\1" * 2, stated=10)))


def test_an_aiff_cut_short_is_refused(put, aiff):
    path = put(aiff(b"\0\1" * 10, n_frames=50, stated=100), "stem.aif")
    assert "states 80 bytes of audio more" in refusal(path)


@pytest.mark.parametrize(
    ("suffix", "subtype"),
    [("au", "PCM_16"), ("w64", "PCM_24"), ("aiff", "FLOAT"), ("ogg", "VORBIS"), ("caf", "PCM_16")],
)
def test_other_formats_cut_in_half_are_refused_and_whole_are_read(tmp_path, suffix, subtype):
    import soundfile  # writes the fixture

    noise = np.random.default_rng(1).normal(0, 0.1, (20_000, 2))
    whole, half = tmp_path / f"whole.{suffix}", tmp_path / f"half.{suffix}"
    soundfile.write(whole, noise, 48_000, subtype=subtype)
    content = whole.read_bytes()
    half.write_bytes(content[: len(content) // 2])
    assert read_audio(whole).n_frames == 20_000
    assert re.search("cut short|malformed", refusal(half))


@pytest.mark.parametrize("lost", [1, 40, 5000])
def test_an_ogg_that_lost_its_last_bytes_is_refused(tmp_path, lost):
    import soundfile  # writes the fixture

    path = tmp_path / "stem.ogg"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 20_000), 48_000)
    path.write_bytes(path.read_bytes()[:-lost])
    assert "cut short" in refusal(path)


def test_an_ogg_that_lost_its_last_page_is_refused(tmp_path):
    """RFC 3533: the last page of a stream is marked; a cut between pages leaves whole pages."""
    import soundfile  # writes the fixture

    path = tmp_path / "stem.ogg"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 200_000), 48_000)
    content = path.read_bytes()
    path.write_bytes(content[: content.rindex(b"OggS")])
    assert "cut short: the end of its stream is missing" in refusal(path)


def test_a_flac_cut_short_is_refused_when_it_is_decoded(tmp_path):
    import soundfile  # writes the fixture

    path = tmp_path / "stem.flac"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, (50_000, 2)), 48_000)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(AudioFileError, match="damaged or cut short") as error:
        read_audio(path)
    assert str(error.value).startswith(str(path))


def test_a_flac_that_states_no_length_or_too_much_is_refused(tmp_path):
    """RFC 9639: 36 bits of STREAMINFO, from the low half of byte 21, count frames; 0 is unknown."""
    import soundfile  # writes the fixture

    path = tmp_path / "stem.flac"
    soundfile.write(path, np.zeros((5_000, 2)), 48_000)
    content = bytearray(path.read_bytes())
    content[21] |= 0x0F
    path.write_bytes(content)
    with pytest.raises(AudioFileError, match=r"more than memory holds|damaged or cut short"):
        read_audio(path)
    content[21:26] = bytes([content[21] & 0xF0, 0, 0, 0, 0])
    path.write_bytes(content)
    assert "states no length; save it again" in refusal(path)


def test_a_flac_with_a_damaged_byte_is_refused(tmp_path):
    import soundfile  # writes the fixture

    path = tmp_path / "stem.flac"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, (50_000, 2)), 48_000)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x55
    path.write_bytes(content)
    with pytest.raises(AudioFileError, match="damaged"):
        read_audio(path)
