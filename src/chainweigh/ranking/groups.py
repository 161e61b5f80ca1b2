"""Every bus chain weighed on every group, and the set picked group by group in the mix."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio
from chainweigh.chain.chain import Chain
from chainweigh.ranking.jobs import Progress, no_progress, run_jobs
from chainweigh.ranking.mix import MixAround, gain_lu
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import RankSettings, Standing
from chainweigh.ranking.weigh import Weighed, weigh
from chainweigh.render.cache import Cache

MAX_ROUNDS = 6

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

    def entry(self, name: str, gain: float | None, gain_dry: float | None) -> Entry:
        """What the order needs to know of a candidate."""
        weighed = self.weighed[name]
        floor = self.weighed[self.chains[0].name].tones
        tones = weighed.tones
        thdn = tones.thdn_programme_pct if tones else None
        dry = floor.thdn_programme_pct if floor else None
        soloed = gain_lu(self.reference.file.plr_db, weighed.file.plr_db if weighed.file else None)
        added = None if thdn is None or dry is None else thdn - dry
        return Entry(name, weighed.failure, gain, gain_dry, soloed, thdn, added)


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

    `gains_dry` holds each candidate's gain with all other groups dry.
    """

    groups: Mapping[str, WeighedGroup]
    settings: RankSettings
    threads: int
    progress: Progress = no_progress
    rounds: int = 0
    gains_dry: dict[str, dict[str, float | None]] = field(default_factory=dict)

    def pick(self) -> Picks:
        """One chain a group: each the best in the mix that the other picks make.

        Notes
        -----
        Begins dry, with the group that gives most by itself, and goes round the groups until a
        round changes nothing (6 rounds at most).
        """
        picks = {name: group.chains[0].name for name, group in self.groups.items()}
        self.measure_dry()
        order = sorted(self.groups, key=self._best_dry_gain, reverse=True)
        while self.rounds < MAX_ROUNDS:
            self.rounds += 1
            before = dict(picks)
            for name in order:
                picks[name] = self.standings(name, picks)[0][0].name
            if picks == before:
                break
        return picks

    def standings(self, name: str, picks: Picks) -> list[tuple[Entry, Standing]]:
        """A group's candidates in order, in the mix that the other groups' picks make."""
        others = {other: pick for other, pick in picks.items() if other != name}
        all_dry = all(self.groups[o].chains[0].name == pick for o, pick in others.items())
        gains = (
            self.gains_dry[name]
            if all_dry and name in self.gains_dry
            else self._gains(name, {**others, name: self.groups[name].chains[0].name})
        )
        group = self.groups[name]
        entries = [
            group.entry(chain.name, gains[chain.name], self.gains_dry[name][chain.name])
            for chain in group.chains
        ]
        return rank(entries, self.settings)

    def measure_dry(self) -> None:
        """Measure every candidate's gain in the mix with all other groups dry."""
        dry = {name: group.chains[0].name for name, group in self.groups.items()}
        for name in self.groups:
            self.gains_dry[name] = self._gains(name, dry)

    def _best_dry_gain(self, name: str) -> float:
        return max((g for g in self.gains_dry[name].values() if g is not None), default=0.0)

    def _gains(self, name: str, picks: Picks) -> dict[str, float | None]:
        group = self.groups[name]
        standing = {other: self.groups[other].samples_of(pick) for other, pick in picks.items()}
        around = MixAround(name, standing, group.reference.sample_rate_hz)

        def job(chain: Chain) -> float | None:
            if group.weighed[chain.name].failure is not None:
                return None
            return around.gain_lu(group.samples_of(chain.name))

        jobs = [lambda c=chain: job(c) for chain in group.chains]
        gains = run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        return {chain.name: gain for chain, gain in zip(group.chains, gains, strict=True)}
