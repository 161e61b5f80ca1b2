"""Weigh processing chains: loudness gained against distortion added, level-matched.

The library behind the `chainweigh` command. Names load on first use.

Examples
--------
>>> import chainweigh
>>> song = chainweigh.load_song("demo/song-1")  # doctest: +SKIP
>>> plan = chainweigh.plan_for(song, chainweigh.load_chains(folder))  # doctest: +SKIP
>>> run = chainweigh.rank_song(song, plan, cache=chainweigh.Cache(path))  # doctest: +SKIP
>>> run.results.chosen.mix_headroom_db  # doctest: +SKIP
>>> mix = chainweigh.read_audio("mix.wav")  # doctest: +SKIP
>>> chainweigh.measure_file(mix.samples, mix.sample_rate_hz).true_peak_dbtp  # doctest: +SKIP
>>> chainweigh.bench_at_level(chainweigh.bypass("bus"), -6.0, 48_000)  # doctest: +SKIP
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chainweigh.audio.files import read_audio, write_wav
    from chainweigh.chain.chain import bypass
    from chainweigh.chain.files import load_chain, load_chains, shipped_chains_folder
    from chainweigh.errors import ChainweighError
    from chainweigh.measure.comparison import measure_against
    from chainweigh.measure.series import measure_series
    from chainweigh.measure.summary import measure_file
    from chainweigh.ranking.rank import plan_for, rank_song
    from chainweigh.recipe.apply import apply_recipe
    from chainweigh.recipe.recipe import load_recipe
    from chainweigh.recipe.write import write_recipe
    from chainweigh.render.bench import bench_at_level, bench_on_programme
    from chainweigh.render.cache import Cache
    from chainweigh.report.results_json import load_results
    from chainweigh.report.run_folder import write_run
    from chainweigh.song import load_song

__version__ = "0.1.0"

_HOMES = {
    "Cache": "render.cache",
    "ChainweighError": "errors",
    "apply_recipe": "recipe.apply",
    "bench_at_level": "render.bench",
    "bench_on_programme": "render.bench",
    "bypass": "chain.chain",
    "load_chain": "chain.files",
    "load_chains": "chain.files",
    "load_recipe": "recipe.recipe",
    "load_results": "report.results_json",
    "load_song": "song",
    "measure_against": "measure.comparison",
    "measure_file": "measure.summary",
    "measure_series": "measure.series",
    "plan_for": "ranking.rank",
    "rank_song": "ranking.rank",
    "read_audio": "audio.files",
    "shipped_chains_folder": "chain.files",
    "write_recipe": "recipe.write",
    "write_run": "report.run_folder",
    "write_wav": "audio.files",
}

__all__ = [
    "Cache",
    "ChainweighError",
    "apply_recipe",
    "bench_at_level",
    "bench_on_programme",
    "bypass",
    "load_chain",
    "load_chains",
    "load_recipe",
    "load_results",
    "load_song",
    "measure_against",
    "measure_file",
    "measure_series",
    "plan_for",
    "rank_song",
    "read_audio",
    "shipped_chains_folder",
    "write_recipe",
    "write_run",
    "write_wav",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'chainweigh' has no attribute {name!r}")
    return getattr(import_module(f"chainweigh.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
