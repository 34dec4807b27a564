"""Tables of many rows on a screen: laid out at once, where a general table renders each cell by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.segment import Segment, Segments
from rich.text import Text

from canmap.base.errors import printable

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from rich.console import Console

INDENT = "  "
GAP = "  "
NARROWEST = 8  # of the first column: what is still wider than the screen is folded by the screen


def print_rows(out: Console, rows: Sequence[Sequence[str]], left: Container[str]) -> None:
    """Print columns below their titles, without lines and without blanks at the ends.

    The first column is folded where the screen is too narrow; the others are as wide as what they hold.

    Args:
        out: The console.
        rows: The titles, then the cells of each row.
        left: Titles of the columns that hold no numbers, and begin at the left.
    """
    columns = [[printable(cell) for cell in column] for column in zip(*rows, strict=True)]
    widths = [max(map(_width, column)) for column in columns]
    room = out.width - len(INDENT) - sum(widths[1:]) - len(GAP) * (len(widths) - 1)
    widths[0] = min(widths[0], max(room, NARROWEST))
    at_left = [title in left for title in rows[0]]
    padded = [
        [_padded(cell, width, to_left) for cell in column]
        for column, width, to_left in zip(columns[1:], widths[1:], at_left[1:], strict=True)
    ]
    lines: list[list[str]] = []
    for name, *others in zip(columns[0], *padded, strict=True):
        first, *rest = _folded(name, widths[0], out)
        whole = GAP.join((_padded(first, widths[0], at_left[0]), *others))
        lines.append([INDENT + line.rstrip() for line in (whole, *rest)])
    head, *body = ["\n".join(row) for row in lines]
    pieces = [Segment(head, out.get_style("dim")), Segment("\n".join(("", *body, "")))]
    out.print(Segments(pieces), soft_wrap=True, end="")


def _width(cell: str) -> int:
    """Columns of the screen that a cell takes."""
    return len(cell) if cell.isascii() else cell_len(cell)


def _padded(cell: str, width: int, to_left: bool) -> str:
    blanks = " " * (width - _width(cell))
    return cell + blanks if to_left else blanks + cell


def _folded(cell: str, width: int, out: Console) -> list[str]:
    """The lines of a cell, each of at most `width` columns."""
    if _width(cell) <= width:
        return [cell]
    return [line.plain for line in Text(cell).wrap(out, width, overflow="fold")]
