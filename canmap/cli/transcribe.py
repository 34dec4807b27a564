"""`canmap transcribe`: the frames of captures, written to a capture of another format."""

from __future__ import annotations

import click

from canmap.checks.words import times
from canmap.cli.options import CAPTURES, FROM, TO, span

EPILOG = """\
\b
Examples:
  canmap transcribe drive.asc --into drive.parquet
  canmap transcribe front.log rear.log --into both.mf4
  canmap transcribe drive.blf --from 120 --to 150 --into stop.log

The ending names the format; canmap formats says what each of them keeps. Frames keep their stamps, and come
in the order in which an inspection takes them.
"""


@click.command("transcribe", epilog=EPILOG, short_help="Write captures to a capture of another format.")
@CAPTURES
@click.option("--into", metavar="CAPTURE", required=True, help="The capture to write.")
@FROM
@TO
def transcribe_command(captures: tuple[str, ...], into: str, from_s: float | None, to_s: float | None) -> int:
    """Write the frames of captures to one capture, in the format that its name ends in."""
    span_s = span(from_s, to_s)
    from canmap.transcript import transcribe

    done = transcribe(captures, into, span_s)
    click.echo(f"{times(done.frames, 'frame')} in {done.path}.")
    if done.left_out:
        click.echo(f"Left out, as the format has no such frames: {times(done.left_out, 'frame')}.", err=True)
    if len(done.channels) > 1 and not done.keeps_channels:
        named = ", ".join(done.channels)
        click.echo(f"The format tells no channels, so those are mixed now: {named}.", err=True)
    if done.bad_lines:
        first = done.bad[0]
        click.echo(
            f"Not read: {times(done.bad_lines, 'line')}, the first of them line {first.line} of "
            f"{first.capture}: {first.reason}.",
            err=True,
        )
    return 0
