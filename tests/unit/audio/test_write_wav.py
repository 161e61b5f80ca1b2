"""Writing 32-bit float WAV: bytes from the specification, in one step or not at all."""

import errno
import resource
import struct

import numpy as np
import pytest

from chainweigh.audio import files as files_module
from chainweigh.audio import read_audio, write_wav
from chainweigh.errors import AudioFileError, RunFolderError, SignalError


def test_the_bytes_are_those_of_the_specification(tmp_path):
    """WAVE_FORMAT_IEEE_FLOAT with an 18-byte fmt chunk and a fact chunk (Microsoft, 1994)."""
    write_wav(tmp_path / "a.wav", np.array([[0.5, -1.5], [2.0, 0.0]], np.float32), 44_100)
    assert (tmp_path / "a.wav").read_bytes() == (
        b"RIFF" + struct.pack("<I", 4 + 26 + 12 + 8 + 16) + b"WAVE"
        b"fmt " + struct.pack("<IHHIIHHH", 18, 3, 2, 44_100, 44_100 * 8, 8, 32, 0) + b"fact"
        b"\x04\0\0\0\x02\0\0\0"
        b"data" + struct.pack("<I4f", 16, 0.5, 2.0, -1.5, 0.0)
    )


@pytest.mark.parametrize("n_channels", [1, 2])
def test_what_is_written_is_read_back_bit_for_bit(tmp_path, n_channels):
    samples = np.random.default_rng(3).normal(0, 2, (n_channels, 140_001)).astype(np.float32)
    write_wav(tmp_path / "a.wav", samples, 96_000)
    audio = read_audio(tmp_path / "a.wav")
    assert audio.samples.tobytes() == samples.tobytes()
    assert audio.sample_rate_hz == 96_000


def test_another_reader_agrees(tmp_path):
    from scipy.io import wavfile

    samples = np.array([[1.25, -1.25, 0.5]], np.float32)
    write_wav(tmp_path / "a.wav", samples, 48_000)
    rate_hz, values = wavfile.read(tmp_path / "a.wav")
    assert (rate_hz, values.tolist()) == (48_000, [1.25, -1.25, 0.5])


def test_a_present_file_is_replaced_and_nothing_else_is_left(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"before")
    write_wav(str(tmp_path / "a.wav"), np.ones((1, 4), np.float32), 48_000)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]
    assert read_audio(tmp_path / "a.wav").n_frames == 4


@pytest.mark.parametrize("failure", [KeyboardInterrupt, MemoryError])
def test_an_interruption_leaves_the_earlier_file_and_no_other(tmp_path, monkeypatch, failure):
    (tmp_path / "a.wav").write_bytes(b"before")

    def interrupted(*args, **kwargs):
        raise failure

    monkeypatch.setattr(files_module.np, "ascontiguousarray", interrupted)
    with pytest.raises(failure):
        write_wav(tmp_path / "a.wav", np.ones((1, 4), np.float32), 48_000)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]
    assert (tmp_path / "a.wav").read_bytes() == b"before"


def test_a_write_that_the_system_refuses_midway_leaves_nothing(tmp_path):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with pytest.raises(RunFolderError) as error:
            write_wav(tmp_path / "a.wav", np.ones((2, 200_000), np.float32), 48_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert str(error.value).startswith(f"{tmp_path / 'a.wav'}: cannot be written: ")
    assert error.value.__cause__.errno == errno.EFBIG
    assert not list(tmp_path.iterdir())


def test_a_missing_folder_is_named(tmp_path):
    path = tmp_path / "gone" / "a.wav"
    with pytest.raises(RunFolderError) as error:
        write_wav(path, np.ones((1, 1), np.float32), 48_000)
    assert str(error.value) == (
        f"{path}: cannot be written: folder {tmp_path / 'gone'} does not exist"
    )


def test_more_than_a_riff_file_can_state_is_refused(tmp_path):
    """RIFF sizes are 32 bits wide; the head is asked by itself to spare 4 GiB of memory."""
    fits = (2**32 - 1 - 50) // 8
    assert files_module._wav_head(tmp_path / "a.wav", 2, fits, 48_000)[4:8] == b"\xfa\xff\xff\xff"
    with pytest.raises(AudioFileError) as error:
        files_module._wav_head(tmp_path / "a.wav", 2, fits + 1, 48_000)
    assert f"{fits + 1} frames of 2 channels are {8 * (fits + 1)} bytes" in str(error.value)
    assert "holds at most 4294967295" in str(error.value)


@pytest.mark.parametrize(
    ("samples", "rate_hz", "expected"),
    [
        (np.zeros((1, 4)), 48_000, "float64; a float32 array is needed"),
        (np.zeros((3, 4), np.float32), 48_000, "3 channels"),
        (np.full((1, 4), np.nan, np.float32), 48_000, "NaN or Inf"),
        (np.zeros((1, 4), np.float32), 48, "48 Hz; 8000 to 384000 Hz is allowed; was kHz meant"),
        (np.zeros((1, 0), np.float32), 48_000, "no frames to write"),
    ],
)
def test_what_is_not_audio_is_refused_before_a_file_appears(tmp_path, samples, rate_hz, expected):
    with pytest.raises((SignalError, AudioFileError)) as error:
        write_wav(tmp_path / "a.wav", samples, rate_hz)
    assert expected in str(error.value)
    assert not list(tmp_path.iterdir())
