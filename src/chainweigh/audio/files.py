"""Audio files: read to the array convention, written as 32-bit float WAV."""

import io
import operator
import os
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Audio, Samples, check_rate, check_samples
from chainweigh.audio.atomic import file_in_place
from chainweigh.audio.container import is_cut_ogg, missing_bytes
from chainweigh.errors import AudioFileError, SignalError

if TYPE_CHECKING:
    import soundfile

FilePath = str | os.PathLike[str]

_BLOCK_FRAMES = 65_536
_READABLE = "WAV, AIFF, FLAC or another format that libsndfile reads is needed"
_UNSTATED_FRAMES = 2**62  # libsndfile gives 2^63 - 1 frames to a FLAC that states no length
_WAVE_FORMAT_IEEE_FLOAT = 3
_HEAD_BYTES = 58
_RIFF_LIMIT = 0xFFFF_FFFF


@dataclass(frozen=True)
class AudioHeader:
    """What a file's header states; `format` is the container and sample type, "WAV PCM_24"."""

    n_frames: int
    n_channels: int
    sample_rate_hz: int
    format: str


def name_text(path: FilePath) -> str:
    """A path as text that can be written anywhere: what is not Unicode in it reads ?."""
    return os.fspath(path).encode("utf-8", "replace").decode()


def read_header(path: FilePath) -> AudioHeader:
    """Length, channels, rate and format of an audio file, without decoding it.

    Raises
    ------
    AudioFileError
        As `read_audio`, except for what only the samples can show.
    """
    path = Path(path)
    with _opened(path) as file:
        return _header(path, file)


def read_audio(path: FilePath) -> Audio:
    """Read an audio file of one or two channels.

    Parameters
    ----------
    path : path
        WAV with 8, 16, 24, 32-bit integers or floats, AIFF, FLAC, and what else libsndfile reads.

    Returns
    -------
    Audio
        float32, shape (n_channels, n_frames), full scale +-1.0; float files keep what lies above.

    Raises
    ------
    AudioFileError
        No such file, a folder, no permission, no bytes, no frames, not audio, cut short, damaged;
        more than two channels; a rate outside 8 to 384 kHz; a sample that is NaN or Inf.

    Notes
    -----
    Integers are divided by 2^(bits - 1). 32-bit integers and 64-bit floats are rounded to float32.
    """
    path = Path(path)
    with _opened(path) as file:
        header = _header(path, file)
        samples = _room_for(path, header)
        n_read = 0
        for block in _decoded(path, file):
            samples[:, n_read : n_read + len(block)] = block.T
            n_read += len(block)
    if n_read != header.n_frames:
        raise AudioFileError(
            f"{path}: cut short: its header states {header.n_frames} frames, {n_read} are there"
        )
    _check_finite(path, samples)
    return Audio(samples, header.sample_rate_hz)


def read_part(path: FilePath, start_frame: int, n_frames: int) -> Audio:
    """Read a stretch of an audio file, decoding no more than that.

    Raises
    ------
    AudioFileError
        As `read_audio`; a stretch that the file does not hold whole.
    """
    path = Path(path)
    with _opened(path) as file:
        header = _header(path, file)
        if start_frame < 0 or n_frames < 1 or start_frame + n_frames > header.n_frames:
            raise AudioFileError(
                f"{path}: frames {start_frame} to {start_frame + n_frames} are not in it; "
                f"it holds {header.n_frames}"
            )
        file.seek(start_frame)
        block = file.read(n_frames, dtype="float32", always_2d=True)
    samples = np.ascontiguousarray(block.T)
    _check_finite(path, samples)
    return Audio(samples, header.sample_rate_hz)


def flac_bytes(frames: NDArray[np.int32], sample_rate_hz: int) -> bytes:
    """A FLAC stream of 24-bit integers, shape (n_channels, n_frames); exact when decoded."""
    import soundfile

    stream = io.BytesIO()
    soundfile.write(stream, frames.T << 8, sample_rate_hz, format="FLAC", subtype="PCM_24")
    return stream.getvalue()


def write_wav(path: FilePath, samples: Samples, sample_rate_hz: int) -> None:
    """Write a 32-bit float WAV file in one step; values above +-1.0 are kept.

    Parameters
    ----------
    path : path
        Its folder must exist. A file of this name is replaced once the new one is complete.
    samples : ndarray, shape (n_channels, n_frames)
        One or two channels, at least one frame.
    sample_rate_hz : int
        8000 to 384000 Hz.

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate out of range.
    AudioFileError
        No frames, or more than the 4 GiB that a RIFF file can state.
    RunFolderError
        The file cannot be written.

    Notes
    -----
    Equal samples give equal bytes: no time stamp is written (a PEAK chunk would hold one).

    References
    ----------
    Microsoft, New Multimedia Data Types and Data Techniques 3.0 (1994): WAVE_FORMAT_IEEE_FLOAT,
    the fact chunk.
    """
    path = Path(path)
    check_samples(samples, what=str(path))
    check_rate(sample_rate_hz)
    n_channels, n_frames = samples.shape
    head = _wav_head(path, n_channels, n_frames, operator.index(sample_rate_hz))
    with file_in_place(path) as file:
        file.write(head)
        for start in range(0, n_frames, _BLOCK_FRAMES):
            block = samples[:, start : start + _BLOCK_FRAMES].T
            file.write(np.ascontiguousarray(block, dtype="<f4").data)


def _wav_head(path: Path, n_channels: int, n_frames: int, sample_rate_hz: int) -> bytes:
    frame_bytes = 4 * n_channels
    n_bytes = frame_bytes * n_frames
    if n_frames == 0:
        raise AudioFileError(f"{path}: there are no frames to write; at least one is needed")
    if _HEAD_BYTES - 8 + n_bytes > _RIFF_LIMIT:
        raise AudioFileError(
            f"{path}: {n_frames} frames of {n_channels} channels are {n_bytes} bytes; "
            f"a WAV file holds at most {_RIFF_LIMIT}"
        )
    return struct.pack(
        "<4sI4s 4sIHHIIHHH 4sII 4sI",
        *(b"RIFF", _HEAD_BYTES - 8 + n_bytes, b"WAVE"),
        *(b"fmt ", 18, _WAVE_FORMAT_IEEE_FLOAT, n_channels, sample_rate_hz),
        *(sample_rate_hz * frame_bytes, frame_bytes, 32, 0),
        *(b"fact", 4, n_frames),
        *(b"data", n_bytes),
    )


@contextmanager
def _opened(path: Path) -> Iterator["soundfile.SoundFile"]:
    _check_file(path)
    import soundfile

    try:
        # a name that is not text in the system's encoding passes only as the bytes it is
        file = soundfile.SoundFile(os.fspath(path) if os.name == "nt" else os.fsencode(path))
    except (RuntimeError, TypeError) as error:  # TypeError: headerless files, which state no rate
        raise AudioFileError(f"{path}: not audio ({_reason(error)}); {_READABLE}") from error
    with file:
        yield file


def _check_file(path: Path) -> None:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise AudioFileError(f"{path}: is a folder; an audio file is needed")
        if not stat.S_ISREG(status.st_mode):
            raise AudioFileError(f"{path}: is not a regular file; an audio file is needed")
        if status.st_size == 0:
            raise AudioFileError(f"{path}: is empty (0 bytes); {_READABLE}")
        n_missing = missing_bytes(path)
        cut_ogg = is_cut_ogg(path)
    except FileNotFoundError as error:
        raise AudioFileError(f"{path}: no such file") from error
    except OSError as error:
        raise AudioFileError(f"{path}: cannot be read: {error.strerror}") from error
    if n_missing:
        raise AudioFileError(
            f"{path}: cut short: its header states {n_missing} bytes of audio more than the "
            f"{status.st_size} bytes the file holds; copy or bounce it again"
        )
    if cut_ogg:
        raise AudioFileError(f"{path}: cut short: the end of its stream is missing")


def _header(path: Path, file: "soundfile.SoundFile") -> AudioHeader:
    if not 1 <= file.channels <= 2:
        raise AudioFileError(f"{path}: has {file.channels} channels; 1 or 2 are allowed")
    try:
        check_rate(file.samplerate)
    except SignalError as error:
        raise AudioFileError(f"{path}: {error}") from error
    if file.frames == 0:
        raise AudioFileError(f"{path}: holds no audio (0 frames); at least one is needed")
    if file.frames >= _UNSTATED_FRAMES:
        raise AudioFileError(f"{path}: its header states no length; save it again as a whole file")
    return AudioHeader(file.frames, file.channels, file.samplerate, f"{file.format} {file.subtype}")


def _room_for(path: Path, header: AudioHeader) -> Samples:
    try:
        return np.empty((header.n_channels, header.n_frames), dtype=np.float32)
    except (MemoryError, ValueError) as error:
        raise AudioFileError(
            f"{path}: its header states {header.n_frames} frames, more than memory holds; "
            "where the file is small, it is damaged"
        ) from error


def _decoded(path: Path, file: "soundfile.SoundFile") -> Iterator[Samples]:
    """Yield blocks of shape (n_frames, n_channels) up to the end."""
    while True:
        try:
            block: Samples = file.read(_BLOCK_FRAMES, dtype="float32", always_2d=True)
        except RuntimeError as error:
            raise AudioFileError(
                f"{path}: damaged or cut short: decoding stopped ({_reason(error)})"
            ) from error
        if not len(block):
            return
        yield block


def _check_finite(path: Path, samples: Samples) -> None:
    for start in range(0, samples.shape[1], _BLOCK_FRAMES):
        finite = np.isfinite(samples[:, start : start + _BLOCK_FRAMES])
        if not finite.all():
            frame, channel = np.argwhere(~finite.T)[0]
            value = samples[channel, start + frame]
            raise AudioFileError(
                f"{path}: frame {start + frame} of channel {channel} is {value}; "
                "samples must be finite numbers"
            )


def _reason(error: Exception) -> str:
    text = getattr(error, "error_string", None) or str(error)
    return str(text).strip().removesuffix(".")
