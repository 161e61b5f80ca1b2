"""Plain-text tables for a terminal: columns aligned by the width characters take on screen."""

import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

ELLIPSIS = "…"
GAP = "  "
LEAST_NAME_CELLS = 12


@dataclass(frozen=True)
class Column:
    """Heading (lines split by a newline) and alignment of a column."""

    heading: str
    right: bool = True


def display_width(text: str) -> int:
    """Terminal cells a text takes: wide characters two, combining marks and joiners none."""
    return sum(_cells(character) for character in text)


def _cells(character: str) -> int:
    if unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1


def cut(text: str, width: int) -> str:
    """Text that fits a width, with an ellipsis in the middle where something was left out.

    The end is kept because that is where names of a series differ.
    """
    if display_width(text) <= width:
        return text
    room = width - 1
    end = _fitting(text[::-1], room // 2)[::-1]
    while end and _cells(end[0]) == 0:
        end = end[1:]
    start = _fitting(text, room - display_width(end))
    return start.rstrip() + ELLIPSIS + end.lstrip()


def _fitting(text: str, width: int) -> str:
    """As much of the start of a text as fits a width."""
    used = 0
    for index, character in enumerate(text):
        used += _cells(character)
        if used > width:
            return text[:index]
    return text


def pad(text: str, width: int, right: bool) -> str:
    """Text filled with spaces to a width; `right` puts it at the right edge."""
    fill = " " * (width - display_width(text))
    return fill + text if right else text + fill


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """Text broken at spaces into indented lines."""
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent)


def bullets(texts: Sequence[str], width: int) -> Iterator[str]:
    """A list of texts, each wrapped beside its mark."""
    for text in texts:
        first, *rest = wrapped(text, width - 2) or [""]
        yield f"- {first}"
        yield from (f"  {line}" for line in rest)


def with_names_cut(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], place: int, width: int
) -> list[list[str]]:
    """Rows with the names of one column cut to the room that the others leave, 12 cells at least.

    Parameters
    ----------
    place : of the column, from 0
    width : of the whole table
    """
    widths = column_widths(columns, rows)
    taken = sum(widths) - widths[place] + len(GAP) * (len(columns) - 1)
    room = max(LEAST_NAME_CELLS, width - taken)
    return [[*row[:place], cut(row[place], room), *row[place + 1 :]] for row in rows]


def column_widths(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[int]:
    """Width each column needs for its heading and cells."""
    heads = [max(map(display_width, c.heading.split("\n"))) for c in columns]
    return [max([head, *(display_width(row[i]) for row in rows)]) for i, head in enumerate(heads)]


def heading_lines(columns: Sequence[Column], widths: Sequence[int]) -> list[str]:
    """Headings set at the foot of their column, and a rule below."""
    stacks = [column.heading.split("\n") for column in columns]
    depth = max(map(len, stacks))
    lines = []
    for level in range(depth):
        words = [s[level - depth + len(s)] if level >= depth - len(s) else "" for s in stacks]
        lines.append(row_line(words, columns, widths))
    return [*lines, GAP.join("─" * width for width in widths)]


def row_line(cells: Sequence[str], columns: Sequence[Column], widths: Sequence[int]) -> str:
    """One row of a table."""
    parts = (pad(c, w, k.right) for c, w, k in zip(cells, widths, columns, strict=True))
    return GAP.join(parts).rstrip()
