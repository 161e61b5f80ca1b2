"""What was measured, put into the records of results.json and the files of a run's folder."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import chainweigh
from chainweigh.audio.slug import slug
from chainweigh.measure.summary import FileMeasures
from chainweigh.measure.tone_weights import thdn_set_pct
from chainweigh.ranking.delivery import deliver, last_gain_db
from chainweigh.ranking.empty_budget import kept_by_none
from chainweigh.ranking.master_target import reaching_first
from chainweigh.ranking.mix import MixGain
from chainweigh.ranking.notes import notes_on
from chainweigh.ranking.order import Entry, price_range
from chainweigh.ranking.pick import Picking
from chainweigh.ranking.results import (
    MASTER,
    SCHEMA,
    Candidate,
    Choice,
    ChosenSet,
    Comparison,
    Results,
    Source,
    Standing,
)
from chainweigh.ranking.set_search import Picks, SetSearch
from chainweigh.ranking.set_words import settings_text, target_said, verdict
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weigh import Weighed
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import engine_versions


@dataclass(frozen=True)
class Run:
    """Results, and the files in the cache they speak of, by path in the run's folder.

    `cached_audio` is there to listen to, `handed_on` what a session or a listener goes on with;
    `presets` are the user's files that the recipe needs.
    """

    results: Results
    cached_audio: dict[str, Path]
    handed_on: dict[str, Path]
    presets: dict[str, Path] = field(default_factory=dict)


@dataclass
class Assembly:
    """Puts what was measured into the records of results.json."""

    source: Source
    settings: RankSettings
    picking: Picking
    picks: Picks
    master_search: SetSearch
    fixed_master: str | None
    delivery_gain_db: float | None = None
    cached_audio: dict[str, Path] = field(default_factory=dict)
    handed_on: dict[str, Path] = field(default_factory=dict)

    @property
    def search(self) -> SetSearch:
        """What judged the groups' candidates in the mix."""
        return self.picking.search

    @property
    def masters(self) -> WeighedGroup:
        """The master's comparison."""
        return self.master_search.groups[MASTER]

    def run(self, kind: str) -> Run:
        """Judge every comparison's candidates for their places, and write everything down."""
        standings = self.search.standings(self.picks)
        comparisons = [
            self._comparison(self.search, name, standings[name], self.picks)
            for name in self.search.groups
        ]
        self.search.let_go()
        master_standings = self.master_search.standings(self.master_search.dry)[MASTER]
        if self.fixed_master is None:
            master_standings = reaching_first(self.master_search, master_standings, self.settings)
        master_pick = self.fixed_master or master_standings[0][0].name
        comparisons.append(
            self._comparison(self.master_search, MASTER, master_standings, {MASTER: master_pick})
        )
        chosen = self._chosen(standings, master_standings, master_pick)
        self.master_search.let_go()
        for name, group in self.search.groups.items():
            failed = group.weighed[self.picks[name]].audio is None
            stem = group.chains[0].name if failed else self.picks[name]
            self.handed_on[f"session/{slug(name)}.wav"] = group.audio_of(stem)
        results = Results(
            schema=SCHEMA,
            program="chainweigh",
            version=chainweigh.__version__,
            kind=kind,
            engine=engine_versions(),
            settings=self.settings,
            source=self.source,
            comparisons=tuple(comparisons),
            chosen=chosen,
            notes=notes_on(chosen.master_file, self.settings.ceiling_dbtp),
        )
        return Run(results, self.cached_audio, self.handed_on)

    def _comparison(
        self,
        search: SetSearch,
        name: str,
        standings: list[tuple[Entry, Standing]],
        picks: Picks,
    ) -> Comparison:
        group, winner = search.groups[name], picks[name]
        folder = slug(name)
        self.cached_audio[f"audio/{folder}/reference.wav"] = group.audio_of(group.chains[0].name)
        about = {chain.name: chain.about for chain in group.chains}
        return Comparison(
            name=name,
            folder=folder,
            scope=group.chains[0].scope,
            reference_audio=f"audio/{folder}/reference.wav",
            reference=group.reference.file,
            candidates=tuple(
                replace(
                    self._candidate(group, about[entry.name], entry, standing),
                    in_mix=search.in_mix(name, entry.name, picks),
                    in_mix_whole_song=search.in_mix(name, entry.name, picks, whole_song=True),
                )
                for entry, standing in standings
            ),
            winner=winner,
            price_range=price_range([entry for entry, _ in standings], winner, self.settings),
        )

    def _candidate(
        self,
        group: WeighedGroup,
        about: str,
        entry: Entry,
        standing: Standing,
    ) -> Candidate:
        folder = slug(group.reference.name)
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
            spectrum=weighed.spectrum,
            image=weighed.image,
            contrast=weighed.contrast,
            soloed=weighed.soloed,
            in_mix=None,
            in_mix_whole_song=None,
            standing=standing,
            searches=group.searches.get(entry.name, ()),
            front=group.fronts.get(entry.name),
            final_limiter_work_db_s=weighed.final_limiter_work_db_s,
            undefined=_without_work(group, weighed),
        )

    def _chosen(
        self,
        standings: dict[str, list[tuple[Entry, Standing]]],
        master_standings: list[tuple[Entry, Standing]],
        master_pick: str,
    ) -> ChosenSet:
        choices = tuple(self._choice(name, standings[name]) for name in self.search.groups)
        headroom = self.picking.headroom_db(self.picks)
        entry = next(e for e, _ in master_standings if e.name == master_pick)
        thdn = self._thdn_of_set(entry.distortion_pct)
        gain_db, file, audio = self._delivered(master_pick)
        entries = [e for ranked in standings.values() for e, _ in ranked]
        in_the_way = kept_by_none(entries, self.settings)
        standing_now = [
            *(_standing(standings[name], pick) for name, pick in self.picks.items()),
            _standing(master_standings, master_pick),
        ]
        chosen = ChosenSet(
            choices=choices,
            mix_headroom_db=headroom,
            sum_of_gains_dry_lu=_sum(c.loudness_gain_dry_lu for c in choices),
            thdn_groups_pct=self._thdn_of_set(0.0),
            thdn_with_master_pct=thdn,
            rounds=self.picking.rounds,
            within_budget=thdn is not None
            and thdn <= self.settings.budget.thdn_programme_pct
            and all(standing.within_budget for standing in standing_now),
            verdict=verdict(choices, headroom, entry, thdn, file, in_the_way),
            mix=self.masters.reference.file,
            master=master_pick,
            master_settings=settings_text(self.masters, master_pick),
            master_gain_lu=entry.gain_lu,
            master_file=file,
            master_audio=audio,
            ceiling_dbtp=self.settings.ceiling_dbtp,
            delivery_gain_db=gain_db,
            target_said=target_said(
                self.masters, master_pick, file, master_standings, self.settings
            ),
            peaks_before=self.picking.peaks(self.search.dry),
            peaks_after=self.picking.peaks(self.picks),
            steps=tuple(self.picking.steps),
            sets=self.picking.sets,
        )
        return replace(chosen, undefined=_reasons(chosen))

    def _delivered(self, pick: str) -> tuple[float | None, FileMeasures | None, str | None]:
        """The chosen master's last gain, and the file it makes with its path in the run's folder.

        Another song's gain where it is kept.
        """
        made = self.masters.weighed[pick].file
        gain_db = last_gain_db(made, self.settings) if made else None
        if gain_db is None:
            return None, None, None
        if self.delivery_gain_db is not None:
            gain_db = self.delivery_gain_db
        n_frames = self._set_frames(pick)
        delivered = deliver(self.masters, pick, gain_db, n_frames, self.search.cache)
        audio = f"masters/{slug(self.source.folder)}.wav"
        self.handed_on[audio] = delivered.audio
        return gain_db, delivered.file, audio

    def _choice(self, name: str, standings: list[tuple[Entry, Standing]]) -> Choice:
        entry = next(e for e, _ in standings if e.name == self.picks[name])
        choice = Choice(
            group=name,
            candidate=entry.name,
            loudness_gain_lu=entry.gain_lu,
            loudness_gain_dry_lu=entry.gain_dry_lu,
            thdn_programme_pct=entry.distortion_pct,
            settings=settings_text(self.search.groups[name], entry.name),
        )
        return replace(choice, undefined=_reasons(choice))

    def _thdn_of_set(self, master_pct: float | None) -> float | None:
        energies, values = [], []
        for name, group in self.search.groups.items():
            entry = group.entry(self.picks[name], MixGain(), None, None)
            values.append(entry.distortion_pct)
            energies.append(group.reference.energy)
        known = [value for value in values if value is not None]
        if len(known) < len(values) or master_pct is None:
            return None
        return thdn_set_pct(energies, known, master_pct=master_pct)

    def _set_frames(self, master_pick: str) -> int:
        """Length of the song with the tails of the set's own chains, whatever else was tried."""
        rate = self.source.sample_rate_hz
        bus = [self.search.groups[name].tried[pick] for name, pick in self.picks.items()]
        master = self.masters.tried[master_pick]
        tail = max(chain.tail_frames(rate) for chain in bus) + master.tail_frames(rate)
        return round(self.source.duration_s * rate) + tail


def _reasons(record: Choice | ChosenSet) -> dict[str, str]:
    """Why fields of a choice are None: each needs loudness, peak and tones to be defined."""
    reason = "loudness, peak or distortion is not defined for this programme"
    optional = ("sets",)
    return {
        f.name: reason
        for f in fields(record)
        if getattr(record, f.name) is None and f.name not in optional
    }


def _standing(standings: Sequence[tuple[Entry, Standing]], name: str) -> Standing:
    return next(standing for entry, standing in standings if entry.name == name)


def _without_work(group: WeighedGroup, weighed: Weighed) -> dict[str, str]:
    """Why a final limiter's work is None, where it is."""
    if weighed.failure is not None or weighed.final_limiter_work_db_s is not None:
        return {}
    master = group.reference.name == MASTER
    why = "its last stage has no ceiling" if master else "only masters end in a final limiter"
    return {"final_limiter_work_db_s": why}


def _sum(values: Iterable[float | None]) -> float | None:
    listed = list(values)
    known = [value for value in listed if value is not None]
    return float(sum(known)) if len(known) == len(listed) else None
