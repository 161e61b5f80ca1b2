"""Every chain of one comparison weighed by itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from weakref import WeakValueDictionary

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio, read_part
from chainweigh.chain.chain import Chain
from chainweigh.ranking.front_results import Front
from chainweigh.ranking.jobs import Progress, run_jobs
from chainweigh.ranking.mix import MixGain, gain_lu
from chainweigh.ranking.order import Entry
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import (
    HeardMeasures,
    ProgrammeMeasures,
    Search,
    ToneMeasures,
)
from chainweigh.ranking.weigh import Weighed, identity, weigh
from chainweigh.render.cache import Cache

RESIDUAL_COUNTS_PCT = 0.1  # -60 dB: below it a residual says nothing against the tones


@dataclass
class WeighedGroup:
    """One comparison: its reference and every candidate's own measures, the bypass first.

    `searched` are the chains whose drive is searched; of each, the setting found last is among
    `chains`, with how it was found in `searches`, and its Pareto front in `fronts` if one was
    searched. `tried` holds every chain weighed, by name.
    """

    reference: Reference
    chains: list[Chain]
    searched: Sequence[Chain]
    tried: dict[str, Chain]
    weighed: dict[str, Weighed]
    searches: dict[str, tuple[Search, ...]] = field(default_factory=dict)
    fronts: dict[str, Front] = field(default_factory=dict)
    _shared: WeakValueDictionary[str, Samples] = field(default_factory=WeakValueDictionary)
    _shared_windows: WeakValueDictionary[str, Samples] = field(default_factory=WeakValueDictionary)

    def try_chain(self, chain: Chain, cache: Cache) -> None:
        """Weigh a chain that is no candidate, or not yet."""
        if chain.name not in self.weighed:
            self.weighed[chain.name] = weigh(chain, self.reference, cache)
            self.tried[chain.name] = chain

    def set_found(
        self, chain: Chain, searches: tuple[Search, ...], front: Front | None = None
    ) -> None:
        """Make a chain the candidate of the search it came from."""
        self.chains = [c for c in self.chains if c.origin != chain.origin] + [chain]
        self.searches[chain.name] = searches
        if front is not None:
            self.fronts[chain.name] = front

    def audio_of(self, candidate: str) -> Path:
        """Where a candidate's matched samples lie in the cache."""
        path = self.weighed[candidate].audio
        assert path is not None, f"{candidate} has not been rendered"
        return path

    def samples_of(self, candidate: str) -> Samples:
        """A candidate's matched samples, read-only; one array for all who hold it at a time."""
        samples = self._held(candidate)
        if samples is None:
            samples = read_audio(self.audio_of(candidate)).samples
            samples.flags.writeable = False
            self._shared[candidate] = samples
        return samples

    def _held(self, candidate: str) -> Samples | None:
        """A candidate's samples where they need not be read."""
        if not self.tried[candidate].stages or self.weighed[candidate].audio is None:
            return self.reference.samples
        return self._shared.get(candidate)

    def windowed(self, candidate: str) -> Samples:
        """A candidate's matched samples in the windows, joined; shared as `samples_of` shares."""
        samples = self._shared_windows.get(candidate)
        if samples is None:
            samples = self._shared_windows[candidate] = self._cut(candidate)
        return samples

    def _cut(self, candidate: str) -> Samples:
        windows, held = self.reference.windows, self._held(candidate)
        if held is not None:
            return windows.cut(held)
        path, spans = self.audio_of(candidate), windows.frames(self.reference.samples.shape[1])
        parts = [read_part(path, start, stop - start).samples for start, stop in spans]
        return np.concatenate(parts, axis=1)

    def fitted(self, candidate: str) -> Samples:
        """A candidate's fitted reference in the windows, joined."""
        path = self.weighed[candidate].fitted_audio
        if path is None:
            return self.reference.windows.cut(self.reference.samples)
        return read_audio(path).samples

    def fitted_whole_song(self, candidate: str) -> Samples:
        """A candidate's fitted reference over the whole song."""
        fit = self.weighed[candidate].tone_fit
        reference = self.reference
        return fit.fitted(reference.samples, self.samples_of(candidate), reference.sample_rate_hz)

    def identity(self, candidate: str) -> list[object]:
        """What decides a candidate's audio, for a key of the cache."""
        return identity(self.tried[candidate], self.reference)

    def toned(self, candidate: str) -> Samples | None:
        """The reference with a candidate's static tone; None where the candidate keeps it."""
        fit = self.weighed[candidate].tone_fit
        return fit.applied(self.reference.samples) if fit.changes_tone else None

    def entry(
        self, name: str, gain: MixGain, gain_dry: float | None, in_mix: HeardMeasures | None
    ) -> Entry:
        """What the order needs to know of a candidate; `in_mix` None where not judged."""
        weighed = self.weighed[name]
        if weighed.file is None or weighed.tones is None or weighed.programme is None:
            return Entry(name, weighed.failure, None, None, None, None)
        programme = weighed.programme
        soloed = gain_lu(self.reference.file.plr_db, weighed.file.plr_db)
        if soloed is not None and programme.tone_gain_lu is not None:
            soloed -= programme.tone_gain_lu
        distortion, ranked_by = _ranked_distortion(weighed.tones, programme)
        floor = self.weighed[self.chains[0].name].tones
        dry = floor.thdn_programme_pct if floor else None
        return Entry(
            name=name,
            failure=None,
            gain_lu=gain.loudness_lu,
            gain_dry_lu=gain_dry,
            gain_soloed_lu=soloed,
            added_pct=None if distortion is None or dry is None else distortion - dry,
            tone_gain_lu=gain.tone_lu,
            ranked_by=ranked_by,
            distortion_pct=distortion,
            limited={
                "thdn_programme_pct": distortion,
                "punch_loss_db": programme.punch_loss_db,
                "gain_movement_db": programme.gain_movement_db,
                "disturbed_pct": in_mix.disturbed_pct if in_mix else None,
                "disturbed_onsets_pct": in_mix.disturbed_onsets_pct if in_mix else None,
            },
            moments_s=_moments_s(programme, in_mix),
        )


def _moments_s(
    programme: ProgrammeMeasures, in_mix: HeardMeasures | None
) -> dict[str, tuple[float, ...]]:
    """Seconds at which what the budget limits is worst, as far as it has a place."""
    heard = in_mix.worst_moments_s if in_mix else ()
    hits = (
        (programme.punch_change_db, programme.punch_worst_s),
        (
            programme.punch_low_change_db,
            programme.punch_low_worst_s,
        ),
    )
    lost = [(change, at_s) for change, at_s in hits if change is not None and at_s is not None]
    return {
        "disturbed_pct": heard,
        "disturbed_onsets_pct": heard,
        "punch_loss_db": (min(lost)[1],) if lost else (),
        "gain_movement_db": () if programme.gain_low_s is None else (programme.gain_low_s,),
    }


def _ranked_distortion(
    tones: ToneMeasures, programme: ProgrammeMeasures
) -> tuple[float | None, str]:
    """The tones' distortion, or the residual where it is over twice that.

    A compressor's quick gain movement is residual and no tone shows it, so it is charged like
    distortion: 2 dB of gentle bus compression pays for 2 to 6 %.
    """
    heard, left = tones.thdn_programme_pct, programme.residual_pct
    if heard is not None and left is not None and left > 2 * heard and left > RESIDUAL_COUNTS_PCT:
        return left, "residual"
    return heard, "tones"


def weigh_all(
    references: Sequence[Reference],
    chains: Mapping[str, Sequence[Chain]],
    cache: Cache,
    *,
    threads: int,
    progress: Progress,
) -> dict[str, WeighedGroup]:
    """Every chain of every comparison rendered, matched and measured by itself.

    Parameters
    ----------
    chains : comparison name -> its chains, the bypass first
    """
    rows = [[(r, chain) for chain in first_chains(chains[r.name])] for r in references]
    # by turns, so that no thread waits for what another measures of the same reference
    pairs = [pair for turn in zip_longest(*rows) for pair in turn if pair]

    def job(reference: Reference, chain: Chain) -> Weighed:
        return weigh(chain, reference, cache)

    jobs = [lambda r=r, c=c: job(r, c) for r, c in pairs]
    done = run_jobs(jobs, threads=threads, progress=progress, what="weighing chains")
    results = dict(zip(((r.name, c.name) for r, c in pairs), done, strict=True))
    for reference in references:
        reference.let_go()
    return {
        r.name: WeighedGroup(
            r,
            [c for c in chains[r.name] if not c.searches],
            [c for c in chains[r.name] if c.searches],
            {c.name: c for c in first_chains(chains[r.name])},
            {c.name: results[r.name, c.name] for c in first_chains(chains[r.name])},
        )
        for r in references
    }


def first_chains(chains: Sequence[Chain]) -> list[Chain]:
    """What is weighed before any search: every chain, a searched one at its gentle end."""
    return [c.driven([0.0] * len(c.searches)) if c.searches else c for c in chains]
