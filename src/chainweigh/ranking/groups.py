"""Every bus chain weighed on every group, and the set picked group by group in the mix."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio
from chainweigh.chain.chain import Chain
from chainweigh.measure.onsets import Onsets
from chainweigh.ranking.distortion import measure_heard
from chainweigh.ranking.jobs import Progress, no_progress, run_jobs
from chainweigh.ranking.mix import MixAround, MixGain, gain_lu
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import (
    HeardMeasures,
    ProgrammeMeasures,
    RankSettings,
    Standing,
    ToneMeasures,
)
from chainweigh.ranking.weigh import Weighed, identity, weigh
from chainweigh.render.cache import Cache

MAX_ROUNDS = 6
RESIDUAL_COUNTS_PCT = 0.1  # -60 dB: below it a residual says nothing against the tones

Floats = NDArray[np.float64]

Picks = dict[str, str]


@dataclass(frozen=True)
class WeighedGroup:
    """One comparison: its reference and every candidate's own measures, the bypass first."""

    reference: Reference
    chains: Sequence[Chain]
    weighed: Mapping[str, Weighed]

    def samples_of(self, candidate: str) -> Samples:
        """A candidate's matched samples."""
        chain = next(c for c in self.chains if c.name == candidate)
        weighed = self.weighed[candidate]
        if not chain.stages or weighed.audio is None:
            return self.reference.samples
        return read_audio(weighed.audio).samples

    def windowed(self, candidate: str) -> Samples:
        """A candidate's matched samples in the windows, joined."""
        return self.reference.windows.cut(self.samples_of(candidate))

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
        chain = next(c for c in self.chains if c.name == candidate)
        return identity(chain, self.reference)

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
            worst_s=in_mix.worst_moments_s[0] if in_mix and in_mix.worst_moments_s else None,
        )


def _ranked_distortion(
    tones: ToneMeasures, programme: ProgrammeMeasures
) -> tuple[float | None, str]:
    """The tones' distortion, or the residual where it is over twice that."""
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
    pairs = [(reference, chain) for reference in references for chain in chains[reference.name]]

    def job(reference: Reference, chain: Chain) -> Weighed:
        return weigh(chain, reference, cache)

    jobs = [lambda r=r, c=c: job(r, c) for r, c in pairs]
    done = run_jobs(jobs, threads=threads, progress=progress, what="weighing chains")
    results = dict(zip(((r.name, c.name) for r, c in pairs), done, strict=True))
    return {
        r.name: WeighedGroup(
            r, chains[r.name], {c.name: results[r.name, c.name] for c in chains[r.name]}
        )
        for r in references
    }


@dataclass
class SetSearch:
    """The picking of one chain a group, judged in the mix around it.

    `onsets` are the dry mix's. `gains_dry` holds each candidate's gain with all others dry, `heard`
    what was heard of candidates in the loudest windows and, for few, over the whole song, in the
    mix that the other groups' picks make.
    """

    groups: Mapping[str, WeighedGroup]
    onsets: Onsets
    settings: RankSettings
    cache: Cache
    threads: int
    progress: Progress = no_progress
    rounds: int = 0
    gains_dry: dict[str, dict[str, MixGain]] = field(default_factory=dict)
    heard: dict[tuple[str, str, str, bool], HeardMeasures] = field(default_factory=dict)
    _gains_known: dict[tuple[str, str], dict[str, MixGain]] = field(default_factory=dict)

    def pick(self) -> Picks:
        """One chain a group: each the best in the mix that the other picks make.

        Notes
        -----
        Begins dry, with the group that gives most by itself, and goes round the groups until a
        round changes nothing (6 rounds at most). Audibility in the mix is judged from the best
        score down until a candidate keeps the whole budget, in the loudest windows and then over
        the whole song.
        """
        picks = {name: group.chains[0].name for name, group in self.groups.items()}
        self.measure_dry()
        order = sorted(self.groups, key=self._best_dry_gain, reverse=True)
        while self.rounds < MAX_ROUNDS:
            self.rounds += 1
            before = dict(picks)
            for name in order:
                picks[name] = self._best(name, picks)
            if picks == before:
                break
        return picks

    def measure_dry(self) -> None:
        """Measure every candidate's gain in the mix with all other groups dry."""
        dry = {name: group.chains[0].name for name, group in self.groups.items()}
        for name in self.groups:
            self.gains_dry[name] = self._gains(name, dry)

    def standings(self, name: str, picks: Picks) -> list[tuple[Entry, Standing]]:
        """A group's candidates in order, in the mix that the other groups' picks make.

        Every candidate that gains anything is judged by ear model in that mix; the winner and the
        runner-up over the whole song too, which may cost them their places.
        """
        judged = [
            entry.name for entry, _ in self._ranked(name, picks) if (entry.gain_lu or 0.0) > 0
        ]
        self._judge(name, judged, picks)
        while True:
            ranked = self._ranked(name, picks)
            leading = [
                entry.name
                for entry, standing in ranked[:2]
                if standing.within_budget and self.in_mix(name, entry.name, picks)
            ]
            new = [c for c in leading if not self.in_mix(name, c, picks, whole_song=True)]
            if not new:
                return ranked
            self._judge(name, new, picks, whole_song=True)

    def in_mix(
        self, name: str, candidate: str, picks: Picks, *, whole_song: bool = False
    ) -> HeardMeasures | None:
        """What was heard of a candidate in that mix; None where it was not judged."""
        return self.heard.get((name, candidate, _context(name, picks), whole_song))

    def _best(self, name: str, picks: Picks) -> str:
        bypass = self.groups[name].chains[0].name
        while True:
            best = self._ranked(name, picks)[0][0].name
            if best == bypass:
                return best
            if not self.in_mix(name, best, picks):
                self._judge(name, [best], picks)
            elif not self.in_mix(name, best, picks, whole_song=True):
                self._judge(name, [best], picks, whole_song=True)
            else:
                return best

    def _ranked(self, name: str, picks: Picks) -> list[tuple[Entry, Standing]]:
        group, gains = self.groups[name], self._gains(name, picks)
        entries = [
            group.entry(
                chain.name,
                gains[chain.name],
                self.gains_dry[name][chain.name].loudness_lu,
                self.in_mix(name, chain.name, picks, whole_song=True)
                or self.in_mix(name, chain.name, picks),
            )
            for chain in group.chains
        ]
        return rank(entries, self.settings)

    def _judge(
        self, name: str, candidates: Sequence[str], picks: Picks, *, whole_song: bool = False
    ) -> None:
        """Listen to candidates in the mix around them, in the loudest windows or all the way."""
        context = _context(name, picks)
        new = [c for c in candidates if (name, c, context, whole_song) not in self.heard]
        around = _Around(self, name, picks, whole_song)
        jobs = [lambda c=candidate: around.heard(c) for candidate in new]
        done = run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        for candidate, heard in zip(new, done, strict=True):
            self.heard[name, candidate, context, whole_song] = heard

    def _best_dry_gain(self, name: str) -> float:
        gains = [gain.loudness_lu for gain in self.gains_dry[name].values()]
        return max((gain for gain in gains if gain is not None), default=0.0)

    def _gains(self, name: str, picks: Picks) -> dict[str, MixGain]:
        known = self._gains_known.get((name, _context(name, picks)))
        if known is not None:
            return known
        group = self.groups[name]
        standing = {
            other: self.groups[other].samples_of(pick)
            for other, pick in picks.items()
            if other != name
        }
        standing[name] = group.reference.samples
        around = MixAround(name, standing, group.reference.sample_rate_hz)

        def job(chain: Chain) -> MixGain:
            if group.weighed[chain.name].failure is not None:
                return MixGain()
            return around.gains_lu(group.samples_of(chain.name), group.toned(chain.name))

        jobs = [lambda c=chain: job(c) for chain in group.chains]
        gains = run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        found = {chain.name: gain for chain, gain in zip(group.chains, gains, strict=True)}
        self._gains_known[name, _context(name, picks)] = found
        return found


def _context(name: str, picks: Picks) -> str:
    """The other groups' picks, as a key."""
    return repr(sorted((other, pick) for other, pick in picks.items() if other != name))


class _Around:
    """The mix around one group, in the loudest windows or over the whole song."""

    def __init__(self, search: SetSearch, name: str, picks: Picks, whole_song: bool) -> None:
        self._search, self._group, self._whole = search, search.groups[name], whole_song
        self._picks = {other: pick for other, pick in picks.items() if other != name}
        self._lock = threading.Lock()

    @cached_property
    def _others(self) -> Floats | None:
        """The other groups, summed; None where there are none."""
        if not self._picks:
            return None
        total = np.zeros_like(self._part(self._group, self._group.chains[0].name), np.float64)
        for other, pick in self._picks.items():
            total += self._part(self._search.groups[other], pick)
        return total

    def _part(self, group: WeighedGroup, candidate: str) -> Samples:
        return group.samples_of(candidate) if self._whole else group.windowed(candidate)

    def heard(self, candidate: str) -> HeardMeasures:
        """What a candidate adds to the mix, from the cache where it was judged before."""
        soloed = self._group.weighed[candidate].soloed
        if not self._picks and not self._whole and soloed is not None:
            return soloed
        others = [[n, *self._search.groups[n].identity(p)] for n, p in sorted(self._picks.items())]
        cache = self._search.cache
        key = cache.key("in mix", self._whole, self._group.identity(candidate), others)
        found = cache.load(key, HeardMeasures)
        if found is None:
            found = self._measure(candidate)
            cache.store(key, found, {}, self._group.reference.sample_rate_hz)
        return found

    def _measure(self, candidate: str) -> HeardMeasures:
        group, windows = self._group, self._group.reference.windows
        if self._whole:
            fitted = group.fitted_whole_song(candidate)
            windows = windows.whole_song(fitted.shape[1])
        else:
            fitted = group.fitted(candidate)
        with self._lock:
            others = self._others
        taken = self._part(group, candidate)
        return measure_heard(fitted, taken, self._search.onsets, windows, others)
