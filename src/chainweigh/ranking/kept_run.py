"""Whole runs kept in the cache: the same song, chains and settings are not gone through again."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from chainweigh.chain.chain import Chain
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.ranking.assembly import Run
from chainweigh.ranking.results import Results
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weigh import stage_identities
from chainweigh.render.cache import Cache
from chainweigh.song import Song


@dataclass(frozen=True)
class _Kept:
    """A run; files by their place in the cache."""

    results: Results
    cached_audio: dict[str, str]
    handed_on: dict[str, str]


def run_key(
    song: Song, chains: Sequence[Sequence[Chain]], settings: RankSettings, *more: object
) -> str:
    """Key of everything that decides a run: what was read, what is asked.

    Parameters
    ----------
    chains : of each comparison
    more : what else was asked for
    """
    read = [[g.name, g.files, g.file_digests] for g in song.groups]
    told = [song.title, song.folder_name, song.tempo_bpm, song.beats_per_bar, song.notes]
    asked = [[_identity(chain) for chain in listed] for listed in chains]
    length = [song.n_frames, song.sample_rate_hz]
    return Cache.key("run", read, told, length, asked, asdict(settings), *more)


def _identity(chain: Chain) -> list[object]:
    stages = [stage_identities(chain), chain.stage_tables()]
    return [chain.name, chain.scope, chain.about, chain.origin, chain.gain_db, stages]


def load_run(cache: Cache, key: str) -> Run | None:
    """A run kept before, if all its audio is still as it was written."""
    kept = cache.load(key, _Kept)
    if kept is None:
        return None
    cached_audio, handed_on = (
        {name: cache.root / place for name, place in files.items()}
        for files in (kept.cached_audio, kept.handed_on)
    )
    if not cache.keeps([*cached_audio.values(), *handed_on.values()]):
        return None
    return Run(kept.results, cached_audio, handed_on)


def store_run(cache: Cache, key: str, run: Run) -> None:
    """Keep a run, unless a candidate failed in it."""
    results = run.results
    if any(c.failure for comparison in results.comparisons for c in comparison.candidates):
        return
    cached_audio, handed_on = (
        {name: _place(path, cache) for name, path in files.items()}
        for files in (run.cached_audio, run.handed_on)
    )
    kept = _Kept(results, cached_audio, handed_on)
    cache.store(key, kept, {}, results.source.sample_rate_hz)


def _place(path: Path, cache: Cache) -> str:
    return path.relative_to(cache.root).as_posix()


def can_be_kept(chains: Sequence[Sequence[Chain]]) -> bool:
    """Not with plug-ins: what is known of one may change from run to run."""
    stages = (stage for listed in chains for chain in listed for stage in chain.stages)
    return not any(isinstance(stage, PluginStage) for stage in stages)
