"""The tables of a screen, against the general table of rich, whose layout they keep."""

from __future__ import annotations

import io
import sys

import pytest
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from canmap.cli.tables import fits, print_blocks, print_rows

TITLES = ["message", "frames", "sender"]
ROWS = [
    ["drive SteerFeedback", "1,156", "SteerNode"],
    ["drive 速度の知らせ", "7", "Bremsgerät"],  # twice as wide as it is long
    ["  with Page 3", "12", ""],
]
WIDTH = 2 + 19 + 2 + 6 + 2 + 10  # indent, message, gap, frames, gap, sender: "Bremsgerät" is the longest


def printed(width: int, rows: list[list[str]]) -> list[str]:
    out = Console(file=io.StringIO(), width=width)
    print_rows(out, [TITLES, *rows], ("message", "sender"))
    return out.file.getvalue().splitlines()  # type: ignore[attr-defined]


def by_rich(width: int, rows: list[list[str]]) -> list[str]:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in TITLES:
        justify = "right" if title == "frames" else "left"
        table.add_column(title, justify=justify, no_wrap=title != "message", overflow="fold")  # type: ignore[arg-type]
    for row in rows:
        table.add_row(*map(Text, row))
    out = Console(file=io.StringIO(), width=width)
    out.print(Padding(table, (0, 0, 0, 2), expand=False))
    return [line.rstrip() for line in out.file.getvalue().splitlines()]  # type: ignore[attr-defined]


@pytest.mark.parametrize("width", [100, WIDTH])
def test_a_table_is_laid_out_as_rich_lays_it_out(width: int) -> None:
    assert printed(width, ROWS) == by_rich(width, ROWS)


@pytest.mark.parametrize(("width", "enough"), [(WIDTH, True), (WIDTH - 1, False)])
def test_columns_fit_where_no_cell_has_to_be_broken(width: int, enough: bool) -> None:
    assert fits(Console(file=io.StringIO(), width=width), [TITLES, *ROWS]) is enough


def test_a_narrow_screen_gets_a_block_for_each_row() -> None:
    out = Console(file=io.StringIO(), width=22)
    print_blocks(out, [dict(zip(TITLES, row, strict=True)) for row in ROWS])
    assert out.file.getvalue().splitlines() == [  # type: ignore[attr-defined]
        "  drive SteerFeedback",
        "    frames 1,156",
        "    sender SteerNode",
        "  drive 速度の知らせ",
        "    frames 7",
        "    sender Bremsgerät",
        "    with Page 3",
        "    frames 12",
    ]


def test_brackets_in_a_name_are_no_styles() -> None:
    assert printed(100, [["[bold]speed", "1", "[/]"]])[1].split() == ["[bold]speed", "1", "[/]"]


def calls_for(count: int) -> int:
    calls = 0

    def count_calls(*_: object) -> None:
        nonlocal calls
        calls += 1

    rows = [[f"drive Message{number}", str(number), "Node"] for number in range(count)]
    sys.setprofile(count_calls)
    try:
        printed(100, rows)
    finally:
        sys.setprofile(None)
    return calls


def test_a_row_more_takes_few_calls_to_lay_out() -> None:
    # Entries and returns: 72 as measured; rich's own table takes 3,800 for a row of three cells.
    assert (calls_for(300) - calls_for(100)) / 200 < 150
