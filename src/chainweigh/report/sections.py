"""Each comparison as the page shows it: plot, drawings, table, players, embedded audio."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from chainweigh.ranking.listening import file_inside
from chainweigh.ranking.results import MASTER, Candidate, Comparison, Results
from chainweigh.report.before_after import BeforeAfter
from chainweigh.report.embedded_audio import Embedded
from chainweigh.report.plots import NARROW, WIDE, Plot, plot_comparison, plottable
from chainweigh.report.price import price_sentence


@dataclass(frozen=True)
class Player:
    """One audio file to listen to; `source` is None where the file is missing."""

    label: str
    path: str
    source: str | None
    is_reference: bool = False


@dataclass(frozen=True)
class Section:
    """One comparison as the page shows it."""

    id: str
    title: str
    comparison: Comparison
    measured: tuple[Candidate, ...]
    failed: tuple[Candidate, ...]
    off_plot: tuple[Candidate, ...]
    plots: tuple[Plot, ...]
    has_bare_ranks: bool
    players: tuple[Player, ...]
    price: str
    embedded: Embedded | None
    before_after: BeforeAfter | None


def section_of(
    comparison: Comparison,
    index: int,
    results: Results,
    folder: Path,
    embedded: Embedded | None,
    drawn: BeforeAfter | None,
) -> Section:
    """A comparison with everything drawn; the folder is only asked which files are there."""
    measured = tuple(c for c in comparison.candidates if c.failure is None)
    on_plot = plottable(comparison)
    both = (plot_comparison(comparison, results.settings, frame) for frame in (WIDE, NARROW))
    plots = tuple(plot for plot in both if plot is not None)
    return Section(
        id=f"comparison-{index}",
        title="Master" if comparison.scope == MASTER else comparison.name,
        comparison=comparison,
        measured=measured,
        failed=tuple(c for c in comparison.candidates if c.failure is not None),
        off_plot=tuple(c for c in measured if c not in on_plot),
        plots=plots,
        has_bare_ranks=any(not point.is_named for plot in plots for point in plot.points),
        players=_players(comparison, measured, folder),
        price=price_sentence(comparison, results.settings),
        embedded=embedded,
        before_after=drawn,
    )


def _players(
    comparison: Comparison, measured: Sequence[Candidate], folder: Path
) -> tuple[Player, ...]:
    reference = player("Reference", comparison.reference_audio, folder, is_reference=True)
    found = [reference] if reference else []
    for candidate in measured:
        taken = player(candidate.name, candidate.audio, folder)
        if taken:
            found.append(taken)
    return tuple(found)


def player(
    label: str, path: str | None, folder: Path, *, is_reference: bool = False
) -> Player | None:
    """A file of the run's folder to play; None where results name none."""
    if not path:
        return None
    here = file_inside(folder, path) is not None
    return Player(label, path, f"./{quote(path)}" if here else None, is_reference)
