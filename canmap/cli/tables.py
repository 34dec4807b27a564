"""Tables of many rows on a screen: laid out at once, where a general table renders each cell by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.segment import Segment, Segments
from rich.text import Text

from canmap.base.errors import printable

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Mapping, Sequence

    from rich.console import Console

INDENT = "  "
GAP = "  "


def fits(out: Console, rows: Sequence[Sequence[str]]) -> bool:
    """Tell whether columns have room on the screen without a name being broken."""
    widths = [max(_width(printable(cell)) for cell in column) for column in zip(*rows, strict=True)]
    return len(INDENT) + sum(widths) + len(GAP) * (len(widths) - 1) <= out.width


def print_blocks(out: Console, rows: Iterable[Mapping[str, str]]) -> None:
    """Print each row as its first cell, a name, and below it the others with their titles, as many as fit."""
    for row in rows:
        (_, name), *others = row.items()
        lines = [INDENT + printable(name)]
        for title, cell in others:
            titled = f"{title} {printable(cell)}"
            if not cell:
                continue
            if len(lines) > 1 and _width(lines[-1] + GAP + titled) <= out.width:
                lines[-1] += GAP + titled
            else:
                lines.append(2 * INDENT + titled)
        out.print(Text("\n".join(lines), overflow="fold"))


def print_rows(out: Console, rows: Sequence[Sequence[str]], left: Container[str]) -> None:
    """Print columns below their titles, without lines and without blanks at the ends.

    Each is as wide as what it holds: ask first whether the screen `fits`.

    Args:
        out: The console.
        rows: The titles, then the cells of each row.
        left: Titles of the columns that hold no numbers, and begin at the left.
    """
    columns = [[printable(cell) for cell in column] for column in zip(*rows, strict=True)]
    widths = [max(map(_width, column)) for column in columns]
    at_left = [title in left for title in rows[0]]
    padded = [
        [_padded(cell, width, to_left) for cell in column]
        for column, width, to_left in zip(columns, widths, at_left, strict=True)
    ]
    head, *body = ((INDENT + GAP.join(row)).rstrip() for row in zip(*padded, strict=True))
    pieces = [Segment(head, out.get_style("dim")), Segment("\n".join(("", *body, "")))]
    out.print(Segments(pieces), soft_wrap=True, end="")


def _width(cell: str) -> int:
    """Columns of the screen that a cell takes."""
    return len(cell) if cell.isascii() else cell_len(cell)


def _padded(cell: str, width: int, to_left: bool) -> str:
    blanks = " " * (width - _width(cell))
    return cell + blanks if to_left else blanks + cell
