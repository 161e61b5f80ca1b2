"""The set picked group by group, each chain judged in the mix."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from chainweigh.chain.chain import Chain
from chainweigh.measure.onsets import Onsets
from chainweigh.ranking.jobs import Progress, no_progress, run_jobs
from chainweigh.ranking.listened_mix import ListenedMix
from chainweigh.ranking.mix import MixAround, MixGain
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.results import HeardMeasures, RankSettings, Standing
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache

MAX_ROUNDS = 6

Picks = dict[str, str]


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

        Every candidate that did not fail is judged by ear model in that mix, the bypass apart; the
        winner and the runner-up over the whole song too, which may cost them their places.
        """
        weighed = self.groups[name].weighed
        chains = [chain for chain in self.groups[name].chains if chain.stages]
        self._judge(name, [c.name for c in chains if weighed[c.name].failure is None], picks)
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
        around = ListenedMix(
            self.groups[name],
            [(self.groups[other], pick) for other, pick in picks.items() if other != name],
            self.onsets,
            self.cache,
            whole_song=whole_song,
        )
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
