"""What there is to listen to: a passage of each comparison, its best takes matched on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio, read_part
from chainweigh.errors import AudioFileError
from chainweigh.measure.frames import Span, loudest_spans
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies
from chainweigh.once import once
from chainweigh.ranking.ladder_results import Ladder
from chainweigh.ranking.results import MASTER, Candidate, Comparison, Results

LEAST_S = 1.0  # two and a half gating blocks: less has no loudness to match by


@dataclass(frozen=True)
class Source:
    """A file of the run's folder that may be listened to, matched over the whole song."""

    name: str
    rank: int | None
    audio: str | None
    match_gain_db: float
    worst_moments_s: tuple[float, ...] = ()


def candidate_sources(comparison: Comparison) -> list[Source]:
    """Candidates in order of rank; those without stages are the reference."""
    return [_source(c) for c in comparison.candidates if c.failure is None and c.stages]


def _source(candidate: Candidate) -> Source:
    heard = candidate.in_mix or candidate.soloed
    return Source(
        name=candidate.name,
        rank=candidate.standing.rank,
        audio=candidate.audio,
        match_gain_db=candidate.match_gain_db or 0.0,
        worst_moments_s=heard.worst_moments_s if heard else (),
    )


def ladder_sources(ladder: Ladder) -> list[Source]:
    """Every rung that was rendered, from the lowest."""
    return [
        Source(_drive_text(rung.drive_db), None, rung.audio, rung.match_gain_db or 0.0)
        for rung in ladder.rungs
        if rung.failure is None
    ]


def _drive_text(drive_db: float) -> str:
    return f"{drive_db:+g} dB" if drive_db else "0 dB"


@dataclass(frozen=True, eq=False)
class Take:
    """One passage of one file.

    `excerpt_gain_db` makes it as loud as the reference in this passage, `mix_gain_db` the mix with
    it as loud as the mix with the reference. Both come on top of the source's match gain, which is
    in the file and holds for the whole song. None where a loudness is not defined or there is no
    mix.
    """

    source: Source
    samples: Samples
    excerpt_gain_db: float | None
    mix_gain_db: float | None


@dataclass(frozen=True, eq=False)
class Passage:
    """The takes of one comparison, the reference first, and the other groups as chosen.

    `others` is None for the master, and where a file of another group is missing.
    """

    span: Span
    sample_rate_hz: int
    takes: tuple[Take, ...]
    others: Samples | None
    missing: tuple[str, ...]


def file_inside(folder: Path, path: str | None) -> Path | None:
    """A file that results name, where it lies in the run's folder; else None."""
    if not path:
        return None
    parts = PurePosixPath(path)
    inside = not parts.is_absolute() and ".." not in parts.parts
    return folder / parts if inside and (folder / parts).is_file() else None


class ListeningRoom:
    """The audio of one comparison in a run's folder.

    Parameters
    ----------
    sources : what is listened to beside the reference
    wanted : the passage in seconds; None takes the loudest
    whole : True where the sources are heard all or none
    """

    def __init__(
        self,
        results: Results,
        comparison: Comparison,
        sources: Sequence[Source],
        folder: Path,
        wanted: Span | None = None,
        *,
        whole: bool = False,
    ) -> None:
        self._results, self._comparison, self._folder = results, comparison, folder
        self._sources, self._wanted, self._whole = sources, wanted, whole

    @once
    def reference(self) -> Path | None:
        """The reference's file, where it is there."""
        return file_inside(self._folder, self._comparison.reference_audio)

    @once
    def _energies(self) -> LoudnessEnergies | None:
        if self.reference is None:
            return None
        try:
            audio = read_audio(self.reference)
            return loudness_energies(audio.samples, audio.sample_rate_hz)
        except AudioFileError:
            return None

    @property
    def duration_s(self) -> float:
        """Length of the reference; 0 where there is none."""
        return len(self._energies.hop_energies) / 100 if self._energies else 0.0

    def span(self, length_s: float) -> Span | None:
        """Start and end of the passage, no longer than asked for; None where there is nothing.

        The loudest stretch of the reference, K-weighted, or the first of what was wanted.
        """
        if self._energies is None:
            return None
        end_s = self.duration_s
        if self._wanted is None:
            spans = loudest_spans(self._energies.hop_energies, n_spans=1, span_s=length_s)
            start, wanted_s = (spans[0][0] if spans else 0.0), length_s
        else:
            start, wanted_s = self._wanted[0], min(length_s, self._wanted[1] - self._wanted[0])
        span = (start, min(start + wanted_s, end_s))
        return span if span[1] - span[0] >= min(LEAST_S, end_s) else None

    def passage(self, length_s: float, n_takes: int) -> Passage | None:
        """The reference and the best candidates in the passage, each matched on it.

        Parameters
        ----------
        length_s : longest passage
        n_takes : sources at most, from the first, where they are not heard all or none
        """
        span = self.span(length_s)
        if span is None or self.reference is None:
            return None
        rate = self._results.source.sample_rate_hz
        start, n_frames = round(span[0] * rate), round((span[1] - span[0]) * rate)
        cut = _Cut(self._folder, start, n_frames, rate)
        reference = cut.read(self._comparison.reference_audio)
        if reference is None:
            return None
        others = self._others(cut, reference)
        itself = Source("Reference", None, self._comparison.reference_audio, 0.0)
        takes = [Take(itself, reference, 0.0, None if others is None else 0.0)]
        for source in self._sources if self._whole else self._sources[:n_takes]:
            samples = cut.read(source.audio)
            if samples is not None and samples.shape == reference.shape:
                takes.append(_matched(source, samples, reference, others, rate))
        return Passage(span, rate, tuple(takes), others, tuple(cut.missing))

    def _others(self, cut: "_Cut", reference: Samples) -> Samples | None:
        """The other groups' chosen takes, summed."""
        if self._comparison.scope == MASTER:
            return None
        total = np.zeros(reference.shape, dtype=np.float64)
        for other in self._results.comparisons:
            if other.scope == MASTER or other.name == self._comparison.name:
                continue
            winner = next((c for c in other.candidates if c.name == other.winner), None)
            samples = cut.read(winner.audio if winner else None)
            if samples is None or samples.shape != reference.shape:
                return None
            total += samples
        return total.astype(np.float32) if total.any() else None


class _Cut:
    """One stretch of every file of a run; what cannot be read is noted."""

    def __init__(self, folder: Path, start: int, n_frames: int, sample_rate_hz: int) -> None:
        self._folder, self._start, self._n_frames = folder, start, n_frames
        self._rate = sample_rate_hz
        self.missing: list[str] = []

    def read(self, path: str | None) -> Samples | None:
        file = file_inside(self._folder, path)
        if file is not None:
            try:
                audio = read_part(file, self._start, self._n_frames)
            except AudioFileError:
                audio = None
            if audio is not None and audio.sample_rate_hz == self._rate:
                return audio.samples
        if path:
            self.missing.append(path)
        return None


def _matched(
    source: Source,
    samples: Samples,
    reference: Samples,
    others: Samples | None,
    sample_rate_hz: int,
) -> Take:
    mix_gain_db = None
    if others is not None:
        mix_gain_db = _gain_db(others + reference, others + samples, sample_rate_hz)
    return Take(source, samples, _gain_db(reference, samples, sample_rate_hz), mix_gain_db)


def _gain_db(reference: Samples, candidate: Samples, sample_rate_hz: int) -> float | None:
    first, second = (loudness_energies(s, sample_rate_hz) for s in (reference, candidate))
    return level_match_db(first, second)


def whole_beats_s(
    length_s: float, tempo_bpm: float | None, beats_per_bar: int | None, *, least_s: float
) -> float:
    """The longest loop of whole bars that is no longer than asked for, or else of whole beats.

    Where either were shorter than `least_s`, the length as it is.
    """
    if not tempo_bpm:
        return length_s
    beat_s = 60.0 / tempo_bpm
    for unit_s in (beat_s * (beats_per_bar or 4), beat_s):
        whole_s = float(np.floor(length_s / unit_s + 1e-9) * unit_s)
        if whole_s >= least_s:
            return whole_s
    return length_s
