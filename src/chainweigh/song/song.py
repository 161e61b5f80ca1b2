"""A song: stem groups on one time line."""

import os
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from chainweigh.audio.array import Audio, Samples, check_rate, padded
from chainweigh.audio.atomic import RUN_MARKER
from chainweigh.audio.digest import digest_samples
from chainweigh.audio.files import AudioHeader, read_audio, read_header
from chainweigh.audio.resample import n_frames_resampled, resample
from chainweigh.errors import SongError
from chainweigh.once import once
from chainweigh.song.checks import (
    BounceDifference,
    check_audible,
    check_file_names,
    check_group_names,
    check_one_rate,
    compare_with_bounce,
    is_silent,
)
from chainweigh.song.mix import mix_of, sum_of
from chainweigh.song.song_file import SONG_FILE, SongFile, load_song_file
from chainweigh.song.stems import StemFiles, find_stems

_NOTHING_LEFT_DB = -140.0  # float32 rounding
_BOUNCE_AGREES_DB = -60.0  # common practice, no source: well above the noise of a 16-bit bounce


@dataclass(frozen=True, eq=False)
class Group:
    """A stem group: the sum of its files at unity, as long as the song.

    `files` are names relative to the song's folder, `file_digests` the digests of what each held
    as it was read; `samples` has shape (2, n_frames) and is read-only.
    """

    name: str
    files: tuple[str, ...]
    file_digests: tuple[str, ...]
    samples: Samples
    sample_rate_hz: int

    @once
    def digest(self) -> str:
        """BLAKE2b digest of samples and rate: equal for equal content, whatever its name."""
        return digest_samples(self.samples, self.sample_rate_hz)


@dataclass(frozen=True, eq=False)
class Song:
    """Stem groups of equal length, with what was found and done while they were read.

    Attributes
    ----------
    folder_name : str
        Last part of the folder's path; results hold no absolute paths.
    tempo_bpm, beats_per_bar : float, int or None
        As song.toml states them.
    mix_file, mix_file_samples : str, ndarray of shape (2, n_frames), or None
        The bounce of the mix that song.toml names.
    mix_difference_db : float or None
        RMS of (sum of the groups - bounce), dB re the RMS of the bounce.
    notes : tuple of str
        Sentences: what was padded, resampled, mono, silent or left out.
    undefined : mapping
        Reason for each field that is None and might be a number.
    """

    title: str
    folder_name: str
    tempo_bpm: float | None
    beats_per_bar: int | None
    sample_rate_hz: int
    groups: tuple[Group, ...]
    mix_file: str | None = None
    mix_file_samples: Samples | None = None
    mix_difference_db: float | None = None
    notes: tuple[str, ...] = ()
    undefined: Mapping[str, str] = field(default_factory=dict)

    @property
    def n_frames(self) -> int:
        """Length of the song and of each group, in frames."""
        return int(self.groups[0].samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.sample_rate_hz


def load_song(folder: str | os.PathLike[str], *, resample_hz: int | None = None) -> Song:
    """Read the stems of a song's folder and put them on one time line.

    Parameters
    ----------
    folder : path
        With a song.toml that names the groups, or with a sub-folder a group, or a file a group.
    resample_hz : int, optional
        Convert files of another rate to this one. Without it, mixed rates are an error.

    Raises
    ------
    SongError
        The folder, its song.toml or its stems are not usable.
    AudioFileError
        A stem cannot be read as audio.
    SignalError
        `resample_hz` is out of range.

    Notes
    -----
    Files of a group are added in the order of their names, in float64, cast to float32 once. Mono
    files play on both sides at unity. Shorter files are padded with silence at the end.
    """
    folder = Path(folder)
    if resample_hz is not None:
        check_rate(resample_hz)
    song_file, stems = _survey(folder)
    names = [name for files in stems.groups.values() for name in files]
    if stems.mix is not None:
        names.append(stems.mix)
    check_file_names(folder, names)
    headers = {name: read_header(folder / name) for name in names}
    with ThreadPoolExecutor(1) as beside:
        rate_hz = resample_hz or check_one_rate(folder, headers)
        reader = _Reader(folder, headers, rate_hz, beside)
        read = [reader.read_group(name, files) for name, files in stems.groups.items()]
        groups = tuple(group() for group in read)
    mix = None if stems.mix is None else reader.read_stem(stems.mix)
    difference_db, undefined, bounce_notes = _judge_bounce(stems.mix, mix, groups)
    return Song(
        title=song_file.title or folder.resolve().name,
        folder_name=folder.resolve().name,
        tempo_bpm=song_file.tempo_bpm,
        beats_per_bar=song_file.beats_per_bar,
        sample_rate_hz=reader.sample_rate_hz,
        groups=groups,
        mix_file=stems.mix,
        mix_file_samples=mix,
        mix_difference_db=difference_db,
        notes=(*reader.notes, *stems.left_out, *bounce_notes),
        undefined=undefined,
    )


class _Reader:
    """Reads files to the song's rate, length and two sides, and notes what that took.

    Digests are taken beside, while the next file is read.
    """

    def __init__(
        self,
        folder: Path,
        headers: Mapping[str, AudioHeader],
        sample_rate_hz: int,
        beside: Executor,
    ) -> None:
        self.folder, self.headers, self.sample_rate_hz = folder, headers, sample_rate_hz
        self.beside = beside
        lengths = {name: self._n_frames_at_rate(header) for name, header in headers.items()}
        self.longest = max(lengths, key=lambda name: lengths[name])
        self.n_frames = lengths[self.longest]
        self.notes: list[str] = []

    def _n_frames_at_rate(self, header: AudioHeader) -> int:
        return n_frames_resampled(header.n_frames, header.sample_rate_hz, self.sample_rate_hz)

    def read_group(self, name: str, files: tuple[str, ...]) -> Callable[[], Group]:
        """A group, complete once the digests of its files are known."""
        audio = [self._read(file) for file in files]
        digests = [
            self.beside.submit(digest_samples, each.samples, each.sample_rate_hz) for each in audio
        ]
        samples = sum_of([self._stem(*each) for each in zip(files, audio, strict=True)])
        check_audible(self.folder, name, samples)
        samples.flags.writeable = False
        rate_hz = self.sample_rate_hz
        return lambda: Group(name, files, tuple(d.result() for d in digests), samples, rate_hz)

    def read_stem(self, name: str) -> Samples:
        """A file on the song's time line."""
        return self._stem(name, self._read(name))

    def _read(self, name: str) -> Audio:
        return read_audio(self.folder / name)

    def _stem(self, name: str, audio: Audio) -> Samples:
        audio = self._at_rate(name, audio)
        if is_silent(audio.samples):
            self.notes.append(f"{name} is silent")
        return self._on_both_sides(name, self._as_long_as_song(name, audio).samples)

    def _at_rate(self, name: str, audio: Audio) -> Audio:
        if audio.sample_rate_hz == self.sample_rate_hz:
            return audio
        self.notes.append(
            f"{name} was resampled from {audio.sample_rate_hz} Hz to {self.sample_rate_hz} Hz"
        )
        return resample(audio, self.sample_rate_hz)

    def _as_long_as_song(self, name: str, audio: Audio) -> Audio:
        missing = self.n_frames - audio.n_frames
        if missing == 0:
            return audio
        self.notes.append(
            f"{name} was padded with silence at its end by {missing} frames "
            f"({missing / self.sample_rate_hz:.3f} s), to the length of {self.longest}"
        )
        return Audio(padded(audio.samples, self.n_frames), self.sample_rate_hz)

    def _on_both_sides(self, name: str, samples: Samples) -> Samples:
        if len(samples) == 2:
            return samples
        self.notes.append(f"{name} is mono: it plays on both sides at unity")
        return np.repeat(samples, 2, axis=0)


def _survey(folder: Path) -> tuple[SongFile, StemFiles]:
    """What the folder holds, before a file of audio is opened."""
    try:
        _check_folder(folder)
        song_file = load_song_file(folder / SONG_FILE)
        stems = find_stems(folder, song_file)
    except OSError as error:
        place = error.filename or folder
        raise SongError(f"{place}: cannot be read: {error.strerror}") from error
    check_group_names(folder, stems.groups)
    return song_file, stems


def _check_folder(folder: Path) -> None:
    if not folder.exists():
        raise SongError(f"{folder}: no such folder")
    if not folder.is_dir():
        raise SongError(f"{folder}: is a file; name the folder that holds the song's stems")
    if (folder / RUN_MARKER).exists():
        raise SongError(f"{folder}: holds {RUN_MARKER}, so it is a run's folder, not a song's")


def _judge_bounce(
    name: str | None, bounce: Samples | None, groups: tuple[Group, ...]
) -> tuple[float | None, dict[str, str], tuple[str, ...]]:
    """Difference in dB, the reason where it is undefined, and what to say about it."""
    if name is None or bounce is None:
        return None, {"mix_difference_db": f"{SONG_FILE} names no mix"}, ()
    if is_silent(bounce):
        reason = f"the bounce {name} is silent"
        return None, {"mix_difference_db": reason}, (reason,)
    found = compare_with_bounce(bounce, mix_of(groups))
    if found is None:
        reason = f"the stems sum to {name} to the last bit"
        return None, {"mix_difference_db": reason}, (reason,)
    note = f"the stems' sum differs from {name} by {found.difference_db:z.1f} dB re its RMS"
    if found.difference_db > _BOUNCE_AGREES_DB:
        note += _likely_cause(found)
    return found.difference_db, {}, (note,)


def _likely_cause(found: BounceDifference) -> str:
    rest_db = found.at_best_gain_db
    if found.best_gain_db is None or rest_db is None or rest_db > _BOUNCE_AGREES_DB:
        return ": is a stem missing, or was the bounce processed or shifted?"
    rest = f"{rest_db:z.1f} dB is left" if rest_db > _NOTHING_LEFT_DB else "nothing is left"
    return f"; with the bounce at {found.best_gain_db:+.2f} dB {rest}, so only its level differs"
