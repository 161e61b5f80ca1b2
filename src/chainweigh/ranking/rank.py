"""The main job: weigh every chain on every group, pick the set, weigh the master chains on it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

import chainweigh
from chainweigh.audio.array import Samples, from_db, padded
from chainweigh.audio.slug import slug
from chainweigh.chain.chain import Chain, bypass
from chainweigh.errors import SongError
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.ranking.groups import Picks, SetSearch, WeighedGroup, weigh_all
from chainweigh.ranking.jobs import Progress, no_progress
from chainweigh.ranking.mix import gain_lu, measure_plr_db
from chainweigh.ranking.order import Entry, price_range, rank
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import (
    MASTER,
    SCHEMA,
    Candidate,
    Choice,
    ChosenSet,
    Comparison,
    RankSettings,
    Results,
    Source,
    SourceFile,
    SourceGroup,
    Standing,
)
from chainweigh.render.cache import Cache, engine_versions
from chainweigh.song import Song, mix_of

CEILING_DBTP = -1.0


@dataclass(frozen=True)
class Plan:
    """Which chains are weighed where. `fixed` names the set where a recipe has chosen it."""

    bus: Mapping[str, Sequence[Chain]]
    master: Sequence[Chain]
    fixed: Picks | None = None


@dataclass(frozen=True)
class Run:
    """Results, and the audio they speak of: cached files by path in the run's folder, and arrays.

    `stems` are the chosen groups' samples, `master` the delivery master.
    """

    results: Results
    cached_audio: dict[str, Path]
    arrays: dict[str, Samples] = field(repr=False)
    sample_rate_hz: int


def plan_for(song: Song, chains: Sequence[Chain]) -> Plan:
    """Every bus chain on every group, every master chain on the mix, the bypass always first.

    Raises
    ------
    ChainFileError
        A chain that cannot work at the song's sample rate.
    """
    for chain in chains:
        chain.check_at_rate(song.sample_rate_hz)
    bus = [bypass("bus"), *(c for c in chains if c.scope == "bus")]
    master = [bypass(MASTER), *(c for c in chains if c.scope == MASTER)]
    return Plan({group.name: bus for group in song.groups}, master)


def rank_song(
    song: Song,
    plan: Plan,
    *,
    settings: RankSettings | None = None,
    cache: Cache,
    threads: int = 1,
    progress: Progress = no_progress,
    kind: str = "rank",
) -> Run:
    """Weigh a plan's chains on a song, pick the set, and say why.

    Parameters
    ----------
    progress : called with the number of steps done and what is being done

    Raises
    ------
    SongError
        A plan for other groups than the song's.

    Notes
    -----
    Every file of a run has one length: the song's and the longest tails. A chain that fails is a
    candidate with its reason. The same inputs give the same results with any number of threads.
    """
    settings = settings or RankSettings()
    if set(plan.bus) != {g.name for g in song.groups}:
        raise SongError(f"the plan is for {sorted(plan.bus)}, the song has other groups")
    n_frames = song.n_frames + _longest_tails(plan, song.sample_rate_hz)
    references = [
        Reference(g.name, padded(g.samples, n_frames), song.sample_rate_hz) for g in song.groups
    ]
    groups = weigh_all(references, plan.bus, cache, threads=threads, progress=progress)
    search = SetSearch(groups, settings, threads, progress)
    picks = _picks(search, plan)
    stems = {name: group.samples_of(picks[name]) for name, group in groups.items()}
    mix = Reference(MASTER, mix_of(list(stems.values())), song.sample_rate_hz)
    masters = weigh_all([mix], {MASTER: plan.master}, cache, threads=threads, progress=progress)
    writer = _Assembly(song, plan, settings, search, picks, masters[MASTER])
    return writer.run(kind, stems)


def _longest_tails(plan: Plan, sample_rate_hz: int) -> int:
    bus = [c.tail_frames(sample_rate_hz) for chains in plan.bus.values() for c in chains]
    return max(bus) + max(c.tail_frames(sample_rate_hz) for c in plan.master)


def _picks(search: SetSearch, plan: Plan) -> Picks:
    if plan.fixed is None:
        return search.pick()
    search.measure_dry()
    return {name: plan.fixed[name] for name in plan.bus}


@dataclass
class _Assembly:
    """Puts what was measured into the records of results.json."""

    song: Song
    plan: Plan
    settings: RankSettings
    search: SetSearch
    picks: Picks
    masters: WeighedGroup
    cached_audio: dict[str, Path] = field(default_factory=dict)
    arrays: dict[str, Samples] = field(default_factory=dict)

    def run(self, kind: str, stems: dict[str, Samples]) -> Run:
        rate = self.song.sample_rate_hz
        standings = {name: self.search.standings(name, self.picks) for name in self.search.groups}
        comparisons = [
            self._comparison(self.search.groups[name], standings[name], self.picks[name], "bus")
            for name in self.search.groups
        ]
        master_standings = self._master_standings()
        master_pick = (
            self.plan.fixed[MASTER] if self.plan.fixed else master_standings[0][0].name
        )
        comparisons.append(self._comparison(self.masters, master_standings, master_pick, MASTER))
        chosen = self._chosen(standings, master_standings, master_pick)
        for name, samples in stems.items():
            self.arrays[f"session/{slug(name)}.wav"] = samples
        results = Results(
            schema=SCHEMA,
            program="chainweigh",
            version=chainweigh.__version__,
            kind=kind,
            engine=engine_versions(),
            settings=self.settings,
            source=self._source(),
            comparisons=tuple(comparisons),
            chosen=chosen,
            notes=(
                "The distortion budget is THD+N on steady test tones alone: thdn_programme_pct "
                "equals thdn_steady_pct. Audibility on the programme is not judged.",
            ),
        )
        return Run(results, self.cached_audio, self.arrays, rate)

    def _master_standings(self) -> list[tuple[Entry, Standing]]:
        reference = self.masters.reference.file.plr_db
        gains = {}
        for name, weighed in self.masters.weighed.items():
            gains[name] = gain_lu(reference, weighed.file.plr_db if weighed.file else None)
        entries = [
            self.masters.entry(c.name, gains[c.name], None) for c in self.masters.chains
        ]
        return rank(entries, self.settings)

    def _comparison(
        self,
        group: WeighedGroup,
        standings: list[tuple[Entry, Standing]],
        winner: str,
        scope: str,
    ) -> Comparison:
        name = group.reference.name
        folder = slug(name)
        self.arrays[f"audio/{folder}/reference.wav"] = group.reference.samples
        about = {chain.name: chain.about for chain in group.chains}
        return Comparison(
            name=name,
            folder=folder,
            scope=scope,
            reference_audio=f"audio/{folder}/reference.wav",
            reference=group.reference.file,
            candidates=tuple(
                self._candidate(group, folder, about[entry.name], entry, standing)
                for entry, standing in standings
            ),
            winner=winner,
            price_range=price_range([entry for entry, _ in standings], winner, self.settings),
        )

    def _candidate(
        self, group: WeighedGroup, folder: str, about: str, entry: Entry, standing: Standing
    ) -> Candidate:
        weighed = group.weighed[entry.name]
        audio = None
        if weighed.audio is not None:
            audio = f"audio/{folder}/{slug(entry.name)}.wav"
            self.cached_audio[audio] = weighed.audio
        return Candidate(
            name=entry.name,
            about=about,
            audio=audio,
            failure=weighed.failure,
            stages=weighed.stages,
            shift_frames=weighed.shift_frames,
            match_gain_db=weighed.match_gain_db,
            loudness_difference_lu=weighed.loudness_difference_lu,
            file=weighed.file,
            tones=weighed.tones,
            programme=weighed.programme,
            standing=standing,
        )

    def _chosen(
        self,
        standings: dict[str, list[tuple[Entry, Standing]]],
        master_standings: list[tuple[Entry, Standing]],
        master_pick: str,
    ) -> ChosenSet:
        rate = self.song.sample_rate_hz
        choices = tuple(self._choice(name, standings[name]) for name in self.search.groups)
        n_frames = self.masters.reference.samples.shape[1]
        dry_plr = measure_plr_db(padded(self.song.mix, n_frames), rate)
        mix = self.masters.reference.file
        headroom = gain_lu(dry_plr, mix.plr_db)
        thdn_groups = self._thdn_of_groups()
        entry = next(e for e, _ in master_standings if e.name == master_pick)
        thdn = _power_sum(thdn_groups, entry.thdn_programme_pct)
        delivered, file = self._delivery(master_pick)
        if delivered is not None:
            self.arrays[f"masters/{slug(self.song.folder)}.wav"] = delivered
        within = thdn is not None and thdn <= self.settings.budget.thdn_programme_pct
        undefined = {}
        if headroom is None:
            undefined["mix_headroom_db"] = "loudness or peak of the mix is not defined"
        return ChosenSet(
            choices=choices,
            mix_headroom_db=headroom,
            sum_of_gains_dry_lu=_sum(c.loudness_gain_dry_lu for c in choices),
            thdn_groups_pct=thdn_groups,
            thdn_with_master_pct=thdn,
            rounds=self.search.rounds,
            within_budget=within,
            verdict=_verdict(choices, headroom, master_pick, entry.gain_lu, thdn, file),
            mix=mix,
            master=master_pick,
            master_settings=_settings_text(self.masters, master_pick),
            master_gain_lu=entry.gain_lu,
            master_file=file,
            master_audio=None if file is None else f"masters/{slug(self.song.folder)}.wav",
            ceiling_dbtp=CEILING_DBTP,
            undefined=undefined,
        )

    def _choice(self, name: str, standings: list[tuple[Entry, Standing]]) -> Choice:
        entry = next(e for e, _ in standings if e.name == self.picks[name])
        return Choice(
            group=name,
            candidate=entry.name,
            loudness_gain_lu=entry.gain_lu,
            loudness_gain_dry_lu=entry.gain_dry_lu,
            thdn_programme_pct=entry.thdn_programme_pct,
            settings=_settings_text(self.search.groups[name], entry.name),
        )

    def _thdn_of_groups(self) -> float | None:
        weighted, total = 0.0, 0.0
        for name, group in self.search.groups.items():
            tones = group.weighed[self.picks[name]].tones
            if tones is None or tones.thdn_programme_pct is None:
                return None
            energy = _energy(group.reference.samples)
            weighted += energy * tones.thdn_programme_pct**2
            total += energy
        return float(np.sqrt(weighted / total)) if total > 0 else None

    def _delivery(self, pick: str) -> tuple[Samples | None, FileMeasures | None]:
        weighed = self.masters.weighed[pick]
        if weighed.file is None or weighed.file.true_peak_dbtp is None:
            return None, None
        gain_db = CEILING_DBTP - weighed.file.true_peak_dbtp
        delivered = self.masters.samples_of(pick) * np.float32(from_db(gain_db))
        return delivered, measure_file(delivered, self.song.sample_rate_hz)

    def _source(self) -> Source:
        energies = {g.name: _energy(g.samples) for g in self.song.groups}
        total = sum(energies.values())
        return Source(
            title=self.song.title,
            folder=self.song.folder,
            sample_rate_hz=self.song.sample_rate_hz,
            duration_s=self.song.n_frames / self.song.sample_rate_hz,
            tempo_bpm=self.song.tempo_bpm,
            beats_per_bar=self.song.beats_per_bar,
            groups=tuple(
                SourceGroup(
                    name=g.name,
                    files=tuple(SourceFile(f.name, f.digest) for f in g.files),
                    energy_share_pct=100.0 * energies[g.name] / total if total > 0 else None,
                )
                for g in self.song.groups
            ),
            notes=self.song.notes,
            mix=measure_file(self.song.mix, self.song.sample_rate_hz),
        )


def _energy(samples: Samples) -> float:
    return float(np.square(samples, dtype=np.float64).sum())


def _sum(values: object) -> float | None:
    listed = list(values)  # type: ignore[call-overload]
    return None if any(v is None for v in listed) else float(sum(listed))


def _power_sum(first: float | None, second: float | None) -> float | None:
    if first is None or second is None:
        return None
    return float(np.hypot(first, second))


def _settings_text(group: WeighedGroup, candidate: str) -> tuple[str, ...]:
    lines = []
    for stage in group.weighed[candidate].stages:
        parts = [
            f"{s.key} {s.rendered} ({s.written})" if s.relative else f"{s.key} {s.rendered}"
            for s in stage.settings
        ]
        lines.append(f"{stage.effect}: {', '.join(parts)}")
    return tuple(lines)


def _verdict(
    choices: Sequence[Choice],
    headroom_db: float | None,
    master: str,
    master_gain: float | None,
    thdn_pct: float | None,
    file: FileMeasures | None,
) -> str:
    worked = [f"{c.candidate} on {c.group}" for c in choices if c.settings]
    groups = " and ".join(worked) if worked else "Leaving every group dry"
    if headroom_db is None or master_gain is None or thdn_pct is None or file is None:
        return f"{groups}: loudness or peak is not defined for this song, so nothing can be judged."
    return (
        f"{groups} hands the mix {headroom_db:.1f} dB of headroom; with {master} on the master "
        f"({master_gain:+.1f} LU) the song reaches {file.integrated_lufs:.1f} LUFS at "
        f"{CEILING_DBTP:g} dBTP, with {thdn_pct:.1f} % THD+N on test tones."
    )
