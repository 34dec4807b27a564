"""`canmap replay`: a capture through the same engine at the pace at which it was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from canmap.base.errors import UsageError
from canmap.cli.inspect import exit_status
from canmap.cli.options import Request, reads_captures, seconds
from canmap.cli.printing import print_line
from canmap.cli.status import INTERRUPTED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.engine.intake import Intake
    from canmap.stream.sink import Sink
    from canmap.timing.pace import Pace

EPILOG = """\
\b
Examples:
  canmap replay drive.log --spec cart.yaml
  canmap replay drive.log --spec cart.yaml --pace 10 --from 12 --to 20 --record steering --every 0.1
  canmap replay drive.log --spec cart.yaml --pace flat --json -

Nothing is transmitted. Exit status: as for inspect. Ctrl-C ends the replay early: it prints the findings
so far, and the exit status is 130.
"""


@click.command("replay", epilog=EPILOG, short_help="Play a capture at its recorded pace.")
@reads_captures
@click.option(
    "--pace",
    metavar="FACTOR",
    default="1",
    help="Speed as a multiple of the recorded one (1), or flat: as fast as possible.",
)
@click.option(
    "--record", metavar="NAME", multiple=True, help="Print only this record, or none; may be repeated."
)
@click.option(
    "--every",
    metavar="S",
    type=seconds,
    default=1.0,
    help="Print each record once in S recorded seconds (1); 0 prints every record.",
)
def replay_command(request: Request, pace: str, record: tuple[str, ...], every: float) -> int:
    """Play a capture through the mapping; print records, and when findings begin and end."""
    from canmap.engine.run import StopRequest

    clock, stop, silent = _pace(pace), StopRequest(), request.json_path == "-"
    records = [name for name in record if name != "none"] if record else None

    def sinks(_intake: Intake) -> Sequence[Sink]:
        from canmap.cli.lines import LinePrinter

        printer = LinePrinter(every, si=request.si)
        return () if silent else (printer,)

    result = request.inspect(sinks, records, clock, stop)
    if not silent:
        from canmap.cli.lines import print_verdict

        print_verdict(result, clock)
    if stop.asked:
        print_line("interrupted; the report covers only what was read until then", to_stderr=True)
        return INTERRUPTED
    return exit_status(result)


def _pace(text: str) -> Pace | None:
    """Return the pace for `--pace`, None for flat out.

    Raises:
        UsageError: It is neither "flat" nor a positive number.
    """
    from canmap.timing.pace import Pace

    if text == "flat":
        return None
    try:
        factor = float(text)
    except ValueError:
        factor = 0.0
    if not 0 < factor < float("inf"):
        raise UsageError(f"--pace {text} is neither a positive number nor flat.")
    return Pace(factor)
