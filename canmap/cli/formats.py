"""`canmap formats`: the captures that can be read and written here, and which extra brings the rest."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.text import Text

    from canmap.cli.render import Screen
    from canmap.frames.capture_formats import Format, Holds


HEADINGS = (
    "ending", "read and written", "stamps to", "channels", "remote", "errors", "FD", "direction",
)  # fmt: skip
NARROW = 90  # a screen of fewer columns has no room for the table


@click.command("formats", short_help="Which capture formats can be read and written here.")
def formats_command() -> int:
    """List the capture formats that can be read and written here, and what each can hold."""
    from rich.table import Table
    from rich.text import Text

    from canmap.base.extras import is_installed
    from canmap.cli.render import console
    from canmap.frames.capture_formats import FORMATS

    out = console()
    if out.width < NARROW:
        _print_paragraphs(out)
    else:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for heading in HEADINGS:
            table.add_column(heading, no_wrap=True)
        for one in FORMATS:
            table.add_row(one.ending, _here(one), *_held(one.reads))
            if one.writes != one.reads:
                cells = zip(_held(one.writes), _held(one.reads), strict=True)
                table.add_row("", "", *(cell if cell != read else "" for cell, read in cells), style="dim")
        out.print(table)
        text = "\nIf a format holds less when written than when read, its second line is for writing.\n"
        out.print(text, style="dim")
    for one in FORMATS:
        out.print(Text(f"{one.ending:9} {one.name}: {one.note}"), soft_wrap=True)
    for extra in sorted({one.extra for one in FORMATS if one.extra and not is_installed(one.extra)}):
        out.print(Text(f"\nFor the extra {extra}: pip install 'canmap[{extra}]'."), soft_wrap=True)
    out.print(
        "\nEach is read and written compressed too (.gz, .bz2, .xz). Standard input (-) may be .log or a "
        "binary one.",
        soft_wrap=True,
    )
    return 0


def _print_paragraphs(out: Screen) -> None:
    """Print what each format holds in lines of its own, for a screen without room for a table."""
    from rich.text import Text

    from canmap.frames.capture_formats import FORMATS

    for one in FORMATS:
        out.print(Text(f"{one.ending}  {HEADINGS[1]}: {_here(one)}"))
        for word, holds in (("read", one.reads), ("written", one.writes)):
            if word == "read" or one.writes != one.reads:
                cells = zip(HEADINGS[2:], _held(holds), strict=True)
                text = f"  {word}: " + ", ".join(f"{name} {cell}" for name, cell in cells)
                # Folded here, as a line that the console folds ends in a blank.
                out.print(Text(textwrap.fill(text, out.width, subsequent_indent="    ")), soft_wrap=True)
        out.print()


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
