"""The main job: weigh every chain on every group, pick the set, weigh the master chains on it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from chainweigh.audio.array import padded
from chainweigh.chain.chain import Chain, bypass
from chainweigh.errors import SongError
from chainweigh.measure.onsets import Onsets, find_onsets
from chainweigh.ranking.assembly import Assembly, Run
from chainweigh.ranking.drive_in_mix import DriveInMix
from chainweigh.ranking.jobs import Progress, no_progress
from chainweigh.ranking.kept_run import can_be_kept, load_run, run_key, store_run
from chainweigh.ranking.ladder import climb
from chainweigh.ranking.master_target import drive_masters
from chainweigh.ranking.pareto_search import check_optimiser
from chainweigh.ranking.pick import Picking
from chainweigh.ranking.plugin_results import preset_files
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import MASTER
from chainweigh.ranking.set_search import Picks, SetSearch
from chainweigh.ranking.settings import RankSettings, check_settings
from chainweigh.ranking.source import source_of
from chainweigh.ranking.weighed_group import WeighedGroup, first_chains, weigh_all
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.cache import Cache
from chainweigh.song import Song, mix_of, sum_of


@dataclass(frozen=True)
class Plan:
    """Which chains are weighed where. `fixed` names the set where a recipe has chosen it.

    `delivery_gain_db` is the master's last gain where it is kept from another run.
    `n_pareto_trials` settings of every chain with several searched ones are tried for its Pareto
    front, which needs the optional extra; 0 searches one setting after the other alone.
    """

    bus: Mapping[str, Sequence[Chain]]
    master: Sequence[Chain]
    fixed: Picks | None = None
    delivery_gain_db: float | None = None
    n_pareto_trials: int = 0

    @property
    def n_jobs(self) -> int:
        """Chains to weigh before any search goes on."""
        return sum(len(first_chains(chains)) for chains in (*self.bus.values(), self.master))


def plan_for(song: Song, chains: Sequence[Chain], *, n_pareto_trials: int = 0) -> Plan:
    """Every bus chain on every group, every master chain on the mix, the bypass always first.

    Raises
    ------
    ChainFileError
        A chain that cannot work at the song's sample rate or tempo.
    """
    chains = [chain.at_tempo(song.tempo_bpm) for chain in chains]
    for chain in chains:
        chain.check_at_rate(song.sample_rate_hz)
    bus = [bypass("bus"), *(c for c in chains if c.scope == "bus")]
    master = [bypass(MASTER), *(c for c in chains if c.scope == MASTER)]
    groups = {group.name: bus for group in song.groups}
    return Plan(groups, master, n_pareto_trials=n_pareto_trials)


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
    SettingsError
        A budget that nothing keeps, a target that is none, or a plan whose optional extra is
        missing.

    Notes
    -----
    Takes and stems have one length: the song's and the longest tails; the master is as long as the
    set's own tails need. A chain that fails is a candidate with its reason. The same inputs give
    the same results with any number of threads.
    """
    settings = settings or RankSettings()
    check_settings(settings)
    if plan.n_pareto_trials:
        check_optimiser()
    if set(plan.bus) != {g.name for g in song.groups}:
        raise SongError(f"the plan is for {sorted(plan.bus)}, the song has other groups")
    listed = [*plan.bus.values(), plan.master]
    asked = [kind, list(plan.bus), plan.fixed, plan.delivery_gain_db, plan.n_pareto_trials]
    key = run_key(song, listed, settings, *asked) if can_be_kept(listed) else None
    run = load_run(cache, key) if key else None
    if run is None:
        run = _rank(song, plan, settings, cache, threads, progress, kind)
        if key:
            store_run(cache, key, run)
    else:
        progress(plan.n_jobs, "all weighed before")
    return replace(run, presets=preset_files(chain for chains in listed for chain in chains))


def _rank(
    song: Song,
    plan: Plan,
    settings: RankSettings,
    cache: Cache,
    threads: int,
    progress: Progress,
    kind: str,
) -> Run:
    n_frames = song.n_frames + _longest_tails(plan, song.sample_rate_hz)
    dry_mix = mix_of(song.groups)
    source = source_of(song, dry_mix)
    dry_mix = padded(dry_mix, n_frames)
    windows = loudest_windows(dry_mix, song.sample_rate_hz)
    onsets = find_onsets(dry_mix, song.sample_rate_hz)
    del dry_mix
    references = [Reference(g.name, padded(g.samples, n_frames), windows) for g in song.groups]
    groups = weigh_all(references, plan.bus, cache, threads=threads, progress=progress)
    n_trials = plan.n_pareto_trials
    search = SetSearch(groups, onsets, settings, cache, threads, progress, n_trials)
    picking = Picking(search)
    picks = _picks(picking, plan)
    search.let_go()
    stems = [group.samples_of(picks[name]) for name, group in groups.items()]
    mix = Reference(MASTER, sum_of(stems), windows)
    del stems
    masters = weigh_all([mix], {MASTER: plan.master}, cache, threads=threads, progress=progress)
    master_search = SetSearch(masters, onsets, settings, cache, threads, n_pareto_trials=n_trials)
    for chain in masters[MASTER].searched:
        DriveInMix(master_search, MASTER, master_search.dry, chain).find()
    if settings.target is not None and plan.fixed is None:
        drive_masters(master_search, settings)
    fixed_master = plan.fixed[MASTER] if plan.fixed else None
    assembly = Assembly(
        source, settings, picking, picks, master_search, fixed_master, plan.delivery_gain_db
    )
    run = assembly.run(kind)
    return run if kind == "apply" else _with_ladder(run, groups, onsets, cache, threads)


def _with_ladder(
    run: Run, groups: Mapping[str, WeighedGroup], onsets: Onsets, cache: Cache, threads: int
) -> Run:
    """The run with the drive ladder of the chain that gives the mix most."""
    gains = {c.group: c.loudness_gain_lu or 0.0 for c in run.results.chosen.choices if c.settings}
    if not gains:
        return run
    picks = {c.group: c.candidate for c in run.results.chosen.choices}
    name = max(gains, key=lambda group: gains[group])
    others = [(groups[other], pick) for other, pick in picks.items() if other != name]
    made = climb(groups[name], picks[name], others, onsets, cache, threads=threads)
    results = replace(run.results, ladder=made.ladder)
    return replace(run, results=results, cached_audio={**run.cached_audio, **made.audio})


def _longest_tails(plan: Plan, sample_rate_hz: int) -> int:
    bus = [c.tail_frames(sample_rate_hz) for chains in plan.bus.values() for c in chains]
    return max(bus) + max(c.tail_frames(sample_rate_hz) for c in plan.master)


def _picks(picking: Picking, plan: Plan) -> Picks:
    if plan.fixed is None:
        return picking.pick()
    return {name: plan.fixed[name] for name in plan.bus}
