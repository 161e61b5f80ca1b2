"""chainweigh bench CHAIN."""

import re
from pathlib import Path

import click

from chainweigh.audio.atomic import write_text
from chainweigh.audio.files import name_text, read_audio
from chainweigh.chain.chain import BYPASS_NAME, Chain, bypass
from chainweigh.chain.files import load_chain
from chainweigh.cli import options
from chainweigh.errors import ChainFileError
from chainweigh.render.bench import BenchResults, bench_at_level, bench_on_programme
from chainweigh.report.bench_plot import bench_plot
from chainweigh.report.bench_table import bench_table
from chainweigh.report.strict_json import strict_json
from chainweigh.song.song_file import TEMPO_RANGE_BPM


def _parse_level(ctx: click.Context, option: click.Parameter, text: str | None) -> float | None:
    """Number of dBFS of a level written with its unit."""
    if text is None:
        return None
    match = re.fullmatch(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*dBFS\s*", text)
    if match is None:
        raise click.BadParameter(f'"{text}" is not a level with its unit, such as -6dBFS')
    return float(match[1])


@click.command("bench")
@click.argument("chain_name", metavar="CHAIN")
@click.option(
    "--chains",
    "folder",
    type=click.Path(path_type=Path),
    help="Folder of chain files in which CHAIN is a name; the shipped chains without it.",
)
@click.option(
    "--programme",
    type=click.Path(path_type=Path),
    help="Audio file that drives the chain: its peak, its rate, levels resolved on it.",
)
@click.option(
    "--level",
    "level_dbfs",
    callback=_parse_level,
    metavar="LEVEL",
    help="Peak of the loudest tones, such as -6dBFS, where there is no programme; needs --rate.",
)
@click.option(
    "--rate",
    "sample_rate_hz",
    type=click.IntRange(8_000, 384_000),
    metavar="RATE",
    help="Sample rate in Hz for --level.",
)
@click.option(
    "--tempo",
    "tempo_bpm",
    type=click.FloatRange(*TEMPO_RANGE_BPM),
    metavar="BPM",
    help="Tempo in quarter notes a minute, for a chain with times such as 1/16.",
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.svg",
    help="Draw distortion over frequency and level, and the response.",
)
@options.json_option
@options.quiet_option
def command(
    chain_name: str,
    folder: Path | None,
    programme: Path | None,
    level_dbfs: float | None,
    sample_rate_hz: int | None,
    tempo_bpm: float | None,
    plot: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Distortion, noise, latency and response of one chain, beside the instrument's own floor.

    CHAIN is a chain file, the name of a chain, or bypass, which reads the floor itself. Levels
    relative to the programme are resolved on --programme, or on a 997 Hz sine of --level, and stay
    there while the tones play: from that peak to 30 dB below it.
    """
    if plot is not None and plot.suffix.lower() != ".svg":
        raise click.UsageError(f"--plot {plot}: the drawing is SVG; end the name in .svg")
    if (programme is None) == (level_dbfs is None):
        raise click.UsageError("give --programme FILE, or --level and --rate: one of the two")
    if programme is not None and sample_rate_hz is not None:
        raise click.UsageError("--rate goes with --level; a programme brings its own rate")
    chain = _chain(chain_name, folder).at_tempo(tempo_bpm)
    results = _bench(chain, programme, level_dbfs, sample_rate_hz)
    if plot is not None:
        write_text(plot, bench_plot(results))
    if as_json:
        click.echo(strict_json(results, "readings"))
    else:
        click.echo(bench_table(results))
    if plot is not None:
        options.say(f"plot: {plot}", quiet=quiet)


def _bench(
    chain: Chain, programme: Path | None, level_dbfs: float | None, sample_rate_hz: int | None
) -> BenchResults:
    if programme is not None:
        audio = read_audio(programme)
        return bench_on_programme(
            chain, audio.samples, audio.sample_rate_hz, programme=name_text(programme.name)
        )
    if level_dbfs is None or sample_rate_hz is None:
        raise click.UsageError("--level needs --rate, such as --rate 48000: no rate is assumed")
    return bench_at_level(chain, level_dbfs, sample_rate_hz)


def _chain(name: str, folder: Path | None) -> Chain:
    if name == BYPASS_NAME:
        return bypass("bus")
    chain = _named(name, folder)
    for search in chain.searches:
        raise ChainFileError(
            f'"{chain.name}" has its {search.key} searched ({search}); the bench needs one value'
        )
    return chain


def _named(name: str, folder: Path | None) -> Chain:
    file = Path(name)
    if folder is None and (file.suffix == ".toml" or file.is_file()):
        chains = load_chain(file)
        if len(chains) > 1:
            names = "; ".join(f'"{chain.name}"' for chain in chains)
            raise ChainFileError(
                f"{name} sweeps over {len(chains)} chains: {names}; name one, with --chains FOLDER"
            )
        return chains[0]
    found = options.known_chains(folder)
    named = [chain for chain in found if chain.name == name]
    if not named:
        raise ChainFileError(f'no chain "{name}"; there are: {", ".join(c.name for c in found)}')
    return named[0]
