"""`canmap formats`: the captures that can be read and written here, and which extra brings the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.text import Text

    from canmap.frames.capture_formats import Format, Holds


@click.command("formats", short_help="What captures can be read and written here.")
def formats_command() -> int:
    """List the capture formats that can be read and written here, and what each can hold."""
    from rich.table import Table
    from rich.text import Text

    from canmap.base.extras import is_installed
    from canmap.cli.render import console, print_table
    from canmap.frames.capture_formats import FORMATS

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in (
        "ending",
        "read and written",
        "stamps to",
        "channels",
        "remote",
        "errors",
        "FD",
        "direction",
    ):
        table.add_column(heading, overflow="fold")
    for one in FORMATS:
        table.add_row(one.ending, _here(one), *_held(one.reads))
        if one.writes != one.reads:
            told = zip(_held(one.writes), _held(one.reads), strict=True)
            table.add_row("", "", *(cell if cell != read else "" for cell, read in told), style="dim")
    out = console()
    print_table(out, table)
    out.print(
        "\nWhere what is written holds less than what is read, it stands in the line below.\n", style="dim"
    )
    for one in FORMATS:
        out.print(Text(f"{one.ending:9} {one.name}: {one.note}"), soft_wrap=True)
    for extra in sorted({one.extra for one in FORMATS if one.extra and not is_installed(one.extra)}):
        out.print(Text(f"\nThe extra {extra} comes by pip install 'canmap[{extra}]'."), soft_wrap=True)
    out.print(
        "\nEach is read compressed too (.gz, .bz2, .xz). Standard input (-) may be .log or a binary one.",
        soft_wrap=True,
    )
    return 0


def _here(one: Format) -> Text:
    from rich.text import Text

    from canmap.base.extras import is_installed

    here = not one.extra or is_installed(one.extra)
    return Text("yes" if here else f"extra {one.extra}", style="" if here else "yellow")


def _held(holds: Holds) -> tuple[str, ...]:
    return (
        "1 ns" if holds.stamp_ns == 1 else f"{holds.stamp_ns / 1000:g} us",
        holds.channels.value,
        "yes" if holds.remote else "no",
        holds.errors.value,
        holds.fd.value,
        "yes" if holds.direction else "no",
    )
