"""Every bus chain weighed on every group, and the set picked group by group in the mix."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples
from chainweigh.audio.files import read_audio
from chainweigh.chain.chain import Chain
from chainweigh.measure.onsets import Onsets
from chainweigh.ranking.distortion import measure_in_mix
from chainweigh.ranking.jobs import Progress, no_progress, run_jobs
from chainweigh.ranking.mix import MixAround, MixGain, gain_lu
from chainweigh.ranking.order import Entry, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import (
    MixMeasures,
    ProgrammeMeasures,
    RankSettings,
    Standing,
    ToneMeasures,
)
from chainweigh.ranking.weigh import Weighed, weigh
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

    def toned(self, candidate: str) -> Samples | None:
        """The reference with a candidate's static tone; None where the candidate keeps it."""
        fit = self.weighed[candidate].tone_fit
        return fit.applied(self.reference.samples) if fit.changes_tone else None

    def entry(
        self, name: str, gain: MixGain, gain_dry: float | None, in_mix: MixMeasures | None
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

    `onsets` are the dry mix's. `gains_dry` holds each candidate's gain with all others dry.
    """

    groups: Mapping[str, WeighedGroup]
    onsets: Onsets
    settings: RankSettings
    threads: int
    progress: Progress = no_progress
    rounds: int = 0
    gains_dry: dict[str, dict[str, MixGain]] = field(default_factory=dict)
    heard: dict[tuple[str, str, str], MixMeasures] = field(default_factory=dict)
    _gains_known: dict[tuple[str, str], dict[str, MixGain]] = field(default_factory=dict)

    def pick(self) -> Picks:
        """One chain a group: each the best in the mix that the other picks make.

        Notes
        -----
        Begins dry, with the group that gives most by itself, and goes round the groups until a
        round changes nothing (6 rounds at most). Audibility in the mix is judged from the best
        score down until a candidate keeps the whole budget.
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

        Every candidate that gains anything and keeps the rest of the budget is judged by ear model
        in that mix.
        """
        judged = [
            entry.name
            for entry, standing in self._ranked(name, picks)
            if standing.within_budget and (entry.gain_lu or 0.0) > 0
        ]
        around = self._others(name, picks)
        jobs = [lambda c=candidate: self._judge(name, c, picks, around) for candidate in judged]
        run_jobs(jobs, threads=self.threads, progress=no_progress, what="")
        return self._ranked(name, picks)

    def in_mix(self, name: str, candidate: str, picks: Picks) -> MixMeasures | None:
        """What was heard of a candidate in that mix; None where it was not judged."""
        return self.heard.get((name, candidate, _context(name, picks)))

    def _best(self, name: str, picks: Picks) -> str:
        around = self._others(name, picks)
        bypass = self.groups[name].chains[0].name
        while True:
            best = self._ranked(name, picks)[0][0].name
            if best == bypass or self.in_mix(name, best, picks):
                return best
            self._judge(name, best, picks, around)

    def _ranked(self, name: str, picks: Picks) -> list[tuple[Entry, Standing]]:
        group, gains = self.groups[name], self._gains(name, picks)
        entries = [
            group.entry(
                chain.name,
                gains[chain.name],
                self.gains_dry[name][chain.name].loudness_lu,
                self.in_mix(name, chain.name, picks),
            )
            for chain in group.chains
        ]
        return rank(entries, self.settings)

    def _judge(self, name: str, candidate: str, picks: Picks, around: Floats) -> None:
        key = (name, candidate, _context(name, picks))
        if key not in self.heard:
            group = self.groups[name]
            self.heard[key] = measure_in_mix(
                around,
                group.fitted(candidate),
                group.windowed(candidate),
                self.onsets,
                group.reference.windows,
            )

    def _others(self, name: str, picks: Picks) -> Floats:
        """The other groups in the windows, summed."""
        total = np.zeros_like(self.groups[name].windowed(self.groups[name].chains[0].name), float)
        for other, group in self.groups.items():
            if other != name:
                total += group.windowed(picks[other])
        return total

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
