"""Plain lines of a command: printed here alone, so that no text from outside steers a terminal."""

from __future__ import annotations

import click

from canmap.base.errors import printable


def say(text: str, *, aside: bool = False) -> None:
    """Print a line on standard output, or aside, on standard error."""
    click.echo(printable(text), err=aside)
