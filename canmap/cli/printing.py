"""Plain lines of a command: printed only here, so that no text from outside steers a terminal."""

from __future__ import annotations

import click

from canmap.base.errors import printable


def print_line(text: str, *, to_stderr: bool = False) -> None:
    """Print a line on standard output, or on standard error."""
    click.echo(printable(text), err=to_stderr)
