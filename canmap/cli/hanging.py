"""Lines with a head, such as a time: on a terminal that is too narrow the words go on below themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

if TYPE_CHECKING:
    from rich.console import Console

NARROWEST = 8  # of the words: what is still wider than the screen is folded by the screen


def print_hanging(out: Console, head: str, words: Text) -> None:
    """Print a head and the words behind it, of which no row is wider than a terminal; elsewhere one line."""
    room = max(out.width - len(head), NARROWEST)
    rows = words.wrap(out, room) if out.is_terminal and words.cell_len > room else [words]
    for number, row in enumerate(rows):
        row.rstrip()
        out.print(Text(" " * len(head) if number else head) + row, soft_wrap=True)
