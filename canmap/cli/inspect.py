"""`canmap inspect`: what a capture says of the vehicle, and what is wrong with it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from canmap.cli.options import Request, reads_captures

if TYPE_CHECKING:
    from canmap.results.inspection import Inspection

EPILOG = """\
\b
Examples:
  canmap inspect drive.log --spec cart.yaml
  canmap inspect drive.log.gz --spec cart.yaml --json - | jq .verdict
  zcat old.log.gz | canmap inspect - --spec cart.yaml --channel drive=can1

Several captures are one session. canmap formats lists what can be read; - is standard input.

Exit status: 0 if no finding is an error, 1 if one is, 2 if the command failed, 130 after Ctrl-C.
"""


@click.command(
    "inspect", epilog=EPILOG, short_help="Show the vehicle's state in a capture, and what was wrong."
)
@reads_captures
def inspect_command(request: Request) -> int:
    """Show the state of the vehicle in a capture, and what was wrong with it."""
    from canmap.cli.progress import Progress

    with Progress(in_part=request.span_s != (0.0, math.inf)) as progress:
        result = request.inspect(lambda intake, _: progress.of(intake), records=())
    if request.json_path != "-":
        from canmap.cli.render import show

        show(result, si=request.si)
    return exit_status(result)


def exit_status(result: Inspection) -> int:
    """0 for pass, 1 for fail."""
    return 0 if result.verdict == "pass" else 1
