"""Several songs of one recipe side by side: how far they lie apart, and which stand out."""

from collections.abc import Iterator, Sequence
from statistics import median

from chainweigh.ranking.results import Results
from chainweigh.report.formats import number, one_line
from chainweigh.report.text_table import Column, column_widths, cut, heading_lines, row_line

NAME_CELLS = 32
FIELDS = (
    ("integrated_lufs", "loudness\nLUFS"),
    ("true_peak_dbtp", "true peak\ndBTP"),
    ("rms_max_300ms_db", "max RMS\ndB"),
    ("plr_db", "PLR\ndB"),
    ("thdn_with_master_pct", "distor-\ntion %"),
    ("mix_headroom_db", "headroom\ndB"),
)
STANDS_OUT = {"integrated_lufs": 1.0, "thdn_with_master_pct": 2.0}
WORDS = {
    "integrated_lufs": ("louder", "quieter", "LU"),
    "thdn_with_master_pct": ("more distorted", "cleaner", "% points"),
}


def album_table(songs: Sequence[Results]) -> str:
    """One row a song, their spread, and what stands out.

    Notes
    -----
    Spread is largest less smallest. A song stands out that is over 1 LU or 2 % points of distortion
    from the median of all, peaks above its ceiling or leaves the budget.
    """
    columns = [Column("song", right=False), *(Column(heading) for _, heading in FIELDS)]
    rows = [
        [cut(one_line(song.source.title), NAME_CELLS), *(_cell(song, f) for f, _ in FIELDS)]
        for song in songs
    ]
    rows.append(["spread", *(_spread(songs, field) for field, _ in FIELDS)])
    widths = column_widths(columns, rows)
    lines = ["Album", *heading_lines(columns, widths)]
    lines += [row_line(row, columns, widths) for row in rows]
    found = list(_outliers(songs))
    lines += ["", "Stands out", *(f"- {text}" for text in found or ["nothing"])]
    return "\n".join(lines) + "\n"


def _value(song: Results, field: str) -> float | None:
    holder = song.chosen if hasattr(song.chosen, field) else song.chosen.master_file
    value: float | None = getattr(holder, field, None)
    return value


def _cell(song: Results, field: str) -> str:
    value = _value(song, field)
    return "n/a" if value is None else number(field, value)


def _known(songs: Sequence[Results], field: str) -> list[float]:
    values = [_value(song, field) for song in songs]
    return [value for value in values if value is not None]


def _spread(songs: Sequence[Results], field: str) -> str:
    known = _known(songs, field)
    return f"{max(known) - min(known):.2f}" if known else "n/a"


def _outliers(songs: Sequence[Results]) -> Iterator[str]:
    for song in songs:
        title = one_line(song.source.title)
        for field, limit in STANDS_OUT.items():
            value = _value(song, field)
            if value is None:
                continue
            away = value - median(_known(songs, field))
            if abs(away) > limit:
                more, less, unit = WORDS[field]
                word = more if away > 0 else less
                yield f"{title}: {abs(away):.1f} {unit} {word} than the median"
        peak = _value(song, "true_peak_dbtp")
        if peak is not None and peak > song.chosen.ceiling_dbtp + 0.05:
            yield f"{title}: peaks at {peak:.2f} dBTP, ceiling {song.chosen.ceiling_dbtp:g}"
        if song.chosen.thdn_with_master_pct is None:
            yield f"{title}: cannot be judged"
        elif not song.chosen.within_budget:
            yield f"{title}: leaves the budget"
