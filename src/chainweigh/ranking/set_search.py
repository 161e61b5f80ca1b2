"""Candidates of a group judged in the mix that the other groups' picks make."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from chainweigh.audio.array import Samples, from_db, to_db
from chainweigh.chain.chain import Chain
from chainweigh.errors import RenderError
from chainweigh.measure.onsets import Onsets
from chainweigh.ranking.jobs import Progress, no_progress, run_jobs
from chainweigh.ranking.listened_mix import ListenedMix
from chainweigh.ranking.mix import MixAround, MixGain, PlainGain
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import HeardMeasures, Standing
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weigh import identity, render_matched
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache

Picks = dict[str, str]
UNCHANGED_DB = -90.0  # what 32-bit float rounds lies far below it


@dataclass
class SetSearch:
    """Judges candidates of every group in the mix around it.

    `onsets` are the dry mix's. `heard` holds what was heard of candidates in the loudest windows
    and, for few, over the whole song, in the mix that the other groups' picks make.
    `n_pareto_trials` settings of a chain with several searched ones are tried for a Pareto front.
    """

    groups: Mapping[str, WeighedGroup]
    onsets: Onsets
    settings: RankSettings
    cache: Cache
    threads: int
    progress: Progress = no_progress
    n_pareto_trials: int = 0
    heard: dict[tuple[str, str, str, bool], HeardMeasures] = field(default_factory=dict)
    _gains_known: dict[tuple[str, str, str], MixGain] = field(default_factory=dict)
    _around: tuple[tuple[str, str], MixAround] | None = None
    _listened: tuple[tuple[str, str, bool], ListenedMix] | None = None

    @property
    def dry(self) -> Picks:
        """Every group as it is."""
        return {name: group.chains[0].name for name, group in self.groups.items()}

    def standings(self, picks: Picks) -> dict[str, list[tuple[Entry, Standing]]]:
        """Every group's candidates in order, in the mix that the other groups' picks make.

        Every candidate that did not fail is judged by ear model in that mix, the bypass apart; the
        winner and the runner-up over the whole song too, which may cost them their places.
        """
        self._judge({name: self._sounding(name) for name in self.groups}, picks)
        while True:
            ranked = {name: self._ranked(name, picks) for name in self.groups}
            new = {name: self._leading(name, picks, order) for name, order in ranked.items()}
            if not any(new.values()):
                return ranked
            self._judge(new, picks, whole_song=True)

    def _sounding(self, name: str) -> list[str]:
        """Candidates that do something and did not fail."""
        group = self.groups[name]
        return [c.name for c in group.chains if c.stages and group.weighed[c.name].failure is None]

    def _leading(
        self, name: str, picks: Picks, ranked: Sequence[tuple[Entry, Standing]]
    ) -> list[str]:
        """Of the first two, those that keep the budget and were not heard over the whole song."""
        return [
            entry.name
            for entry, standing in ranked[:2]
            if standing.within_budget
            and self.in_mix(name, entry.name, picks)
            and not self.in_mix(name, entry.name, picks, whole_song=True)
        ]

    def in_mix(
        self, name: str, candidate: str, picks: Picks, *, whole_song: bool = False
    ) -> HeardMeasures | None:
        """What was heard of a candidate in that mix; None where it was not judged."""
        return self.heard.get((name, candidate, _context(name, picks), whole_song))

    def best(self, name: str, picks: Picks) -> str:
        """The candidate of a group that leads within budget in the mix that the other picks make.

        Audibility is judged from the best score down until a candidate keeps the whole budget, in
        the loudest windows and then over the whole song.
        """
        bypass = self.groups[name].chains[0].name
        while True:
            best = self._ranked(name, picks)[0][0].name
            if best == bypass:
                return best
            if not self.in_mix(name, best, picks):
                self._judge({name: [best]}, picks)
            elif not self.in_mix(name, best, picks, whole_song=True):
                self._judge({name: [best]}, picks, whole_song=True)
            else:
                return best

    def _ranked(self, name: str, picks: Picks) -> list[tuple[Entry, Standing]]:
        names = [chain.name for chain in self.groups[name].chains]
        self._measure_gains(name, names, picks)
        self._measure_gains(name, names, self.dry)
        return rank([self.entry(name, each, picks) for each in names], self.settings)

    def entry(self, name: str, candidate: str, picks: Picks) -> Entry:
        """What the order needs to know of a candidate in that mix, as far as it was judged."""
        self._measure_gains(name, [candidate], picks)
        dry = self._gains_known.get((name, candidate, _context(name, self.dry)), MixGain())
        return self.groups[name].entry(
            candidate,
            self._gains_known[name, candidate, _context(name, picks)],
            dry.loudness_lu,
            self.in_mix(name, candidate, picks, whole_song=True)
            or self.in_mix(name, candidate, picks),
        )

    def heard_entry(self, name: str, candidate: str, picks: Picks, whole_song: bool) -> Entry:
        """The same, after listening to it in the loudest windows or over the whole song."""
        self._judge({name: [candidate]}, picks, whole_song=whole_song)
        return self.entry(name, candidate, picks)

    def _judge(
        self, wanted: Mapping[str, Sequence[str]], picks: Picks, *, whole_song: bool = False
    ) -> None:
        """Listen to groups' candidates in the mix around each, in the loudest windows or all."""
        keys = [
            (name, candidate, _context(name, picks), whole_song)
            for name, candidates in wanted.items()
            for candidate in candidates
        ]
        new = [key for key in keys if key not in self.heard]
        around = {name: self._listened_mix(name, picks, whole_song) for name, *_ in new}
        jobs = [lambda n=name, c=candidate: around[n].heard(c) for name, candidate, *_ in new]
        done = run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        self.heard |= zip(new, done, strict=True)

    def _listened_mix(self, name: str, picks: Picks, whole_song: bool) -> ListenedMix:
        """The mix to listen to a group's candidates in; the one asked for last is kept."""
        key = (name, _context(name, picks), whole_song)
        if self._listened is None or self._listened[0] != key:
            others = [(self.groups[other], pick) for other, pick in picks.items() if other != name]
            around = ListenedMix(
                self.groups[name], others, self.onsets, self.cache, whole_song=whole_song
            )
            self._listened = (key, around)
        return self._listened[1]

    def plain_gain(self, name: str, chain: Chain, picks: Picks) -> PlainGain | None:
        """What a chain gives that mix that is rendered only; None where it cannot be.

        Its gain is no less than the loudness gain of a chain that keeps the tone.
        """
        group = self.groups[name]
        others = [self.groups[o].identity(pick) for o, pick in picks.items() if o != name]
        key = self.cache.key("plain gain", identity(chain, group.reference), others)
        found = self.cache.load(key, PlainGain)
        if found is None:
            try:
                samples = render_matched(chain, group.reference).samples
            except RenderError:
                return None
            gain = self._mix_around(name, picks).gains_lu(samples, None)
            found = PlainGain(gain.loudness_lu, _change_db(group.reference, samples))
            self.cache.store(key, found, {}, group.reference.sample_rate_hz)
        return found

    def _measure_gains(self, name: str, candidates: Sequence[str], picks: Picks) -> None:
        """Measure the gains in that mix which are not known yet."""
        context = _context(name, picks)
        new = [c for c in candidates if (name, c, context) not in self._gains_known]
        if not new:
            return
        group = self.groups[name]
        others = [self.groups[o].identity(pick) for o, pick in picks.items() if o != name]
        keys = {c: self.cache.key("gain", group.identity(c), others) for c in new}
        gains = {c: self.cache.load(key, MixGain) for c, key in keys.items()}
        unknown = [candidate for candidate, gain in gains.items() if gain is None]
        around = self._mix_around(name, picks) if unknown else None

        def job(candidate: str) -> MixGain:
            if around is None or group.weighed[candidate].failure is not None:
                return MixGain()
            gain = around.gains_lu(group.samples_of(candidate), group.toned(candidate))
            self.cache.store(keys[candidate], gain, {}, group.reference.sample_rate_hz)
            return gain

        jobs = [lambda c=candidate: job(c) for candidate in unknown]
        done = run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        gains |= dict(zip(unknown, done, strict=True))
        for candidate, gain in gains.items():
            assert gain is not None
            self._gains_known[name, candidate, context] = gain

    def let_go(self) -> None:
        """Let go of the mixes that were kept for the next question."""
        self._around = self._listened = None

    def _mix_around(self, name: str, picks: Picks) -> MixAround:
        """The mix around a group; the one asked for last is kept."""
        key = (name, _context(name, picks))
        if self._around is None or self._around[0] != key:
            group = self.groups[name]
            standing = {
                other: self.groups[other].samples_of(pick)
                for other, pick in picks.items()
                if other != name
            }
            standing[name] = group.reference.samples
            self._around = (key, MixAround(name, standing, group.reference.sample_rate_hz))
        return self._around[1]


def _change_db(reference: Reference, matched: Samples) -> float | None:
    """Level of what a chain changed in the loudest windows, relative to its reference."""
    dry = reference.windows.cut(reference.samples)
    level, changed = _rms(dry), _rms(reference.windows.cut(matched) - dry)
    if level == 0.0 or changed <= from_db(UNCHANGED_DB) * level:
        return None
    return to_db(changed / level)


def _rms(samples: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def _context(name: str, picks: Picks) -> str:
    """The other groups' picks, as a key."""
    return repr(sorted((other, pick) for other, pick in picks.items() if other != name))
