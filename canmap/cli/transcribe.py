"""`canmap transcribe`: the frames of captures, written to a capture of another format."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from canmap.base.words import times
from canmap.cli.captured_channels import tell_channels
from canmap.cli.options import CAPTURES, FROM, OVERWRITE, TO, assignments, span
from canmap.cli.printing import print_line

if TYPE_CHECKING:
    from canmap.api.transcribe import Transcript

EPILOG = """\
\b
Examples:
  canmap transcribe drive.asc --into drive.parquet
  canmap transcribe front.log rear.log --into both.mf4
  canmap transcribe both.mf4 --channel can0=1 --into front.log
  canmap transcribe drive.blf --from 120 --to 150 --into stop.log.xz
  canmap transcribe drive.mf4 --into - | grep 0A1#

The ending of CAPTURE names the format; canmap formats says what each format keeps. With .gz, .bz2 or .xz
behind it the capture is packed. Frames of several captures are merged in time order. An existing file is
replaced only with --overwrite.
"""


@click.command("transcribe", epilog=EPILOG, short_help="Write captures to a capture of another format.")
@CAPTURES
@click.option("--into", metavar="CAPTURE", required=True, help="The capture to write; - is standard output.")
@click.option(
    "--channel",
    metavar="[NAME=]CHANNEL",
    multiple=True,
    help="Write only this channel, under NAME; may be repeated.",
)
@FROM
@TO
@click.option(
    "--format",
    "form",
    metavar="FORMAT",
    help="What goes to standard output: log (the usual one), log.gz, ...",
)
@OVERWRITE
def transcribe_command(
    captures: tuple[str, ...],
    into: str,
    channel: tuple[str, ...],
    from_s: float | None,
    to_s: float | None,
    form: str | None,
    overwrite: bool,
) -> int:
    """Write the frames of captures to one capture, in the format that its name ends in, packed or not."""
    span_s = span(from_s, to_s)
    pairs = (one if "=" in one else f"{one}={one}" for one in channel)
    channels = assignments(tuple(pairs), "--channel", "NAME=CHANNEL")
    from canmap.api.transcribe import transcribe

    _tell(transcribe(captures, into, span_s, channels, overwrite=overwrite, form=form))
    return 0


def _tell(done: Transcript) -> None:
    """Say what was written, and on standard error what was lost."""
    standard = done.path == "-"
    where = "on standard output" if standard else f"in {done.path}"
    print_line(f"{times(done.frames, 'frame')} {where}.", to_stderr=standard)
    if done.left_out:
        print_line(
            f"Left out, because the format cannot hold them: {times(done.left_out, 'frame')}.", to_stderr=True
        )
    tell_channels(done.channels)
    for channels, from_s, to_s in done.uncovered:
        named = " and ".join(channels)
        gap = f"No capture covers {named} from {from_s:.3f} s to {to_s:.3f} s"
        print_line(f"{gap}; in the new capture this looks like silence.", to_stderr=True)
    if done.bad_lines:
        first = done.bad[0]
        where = f"line {first.line} of {first.capture}" if first.line else first.capture
        text = f"Not read: {times(done.bad_lines, 'line')}; the first is {where}: {first.reason}."
        print_line(text, to_stderr=True)
