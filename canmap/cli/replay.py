"""`canmap replay`: a capture through the same engine at the pace at which it was recorded."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import click

from canmap.base.errors import UsageError
from canmap.cli.inspect import exit_status
from canmap.cli.options import Request, reads_captures, seconds
from canmap.cli.printing import print_line
from canmap.cli.status import INTERRUPTED
from canmap.cli.topic_options import RosCommand, TopicRequest, sends_topics

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.cli.keys import PauseKey
    from canmap.engine.intake import Intake
    from canmap.mapping.model import Spec
    from canmap.outputs.node.topic_sink import TopicSink
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import Sink
    from canmap.timing.pace import Pace

EPILOG = """\
\b
Examples:
  canmap replay drive.log --spec cart.yaml
  canmap replay drive.log --spec cart.yaml --pace 10 --from 12 --to 20 --record steering --every 0.1
  canmap replay drive.log --spec cart.yaml --pace flat --json -
  canmap replay drive.log --spec cart.yaml --topics --namespace cart --clock
  canmap replay drive.log --spec cart.yaml --topics --ros-args -r odom:=/wheel_odom

On a terminal, space pauses and goes on. --topics needs a sourced ROS 2, or the extra ros; what follows
--ros-args, to -- or the end, is passed on to it. The domain is that of ROS_DOMAIN_ID.

Nothing is transmitted on a bus. Nodes that listen to the topics act on them as on a live vehicle's: replay
only where none of them can move one.

Exit status: as for inspect. Ctrl-C ends the replay early: it prints the findings so far, and the exit
status is 130.
"""


@click.command("replay", cls=RosCommand, epilog=EPILOG, short_help="Play a capture at its recorded pace.")
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
@sends_topics
def replay_command(
    request: Request, pace: str, record: tuple[str, ...], every: float, topics: TopicRequest | None
) -> int:
    """Play a capture through the mapping; print records, and when findings begin and end.

    With --topics, also publish them.
    """
    from canmap.cli.keys import PauseKey
    from canmap.engine.run import StopRequest

    key = PauseKey()
    clock, stop, silent = _pace(pace, key), StopRequest(), request.json_path == "-"
    shown = [name for name in record if name != "none"] if record else None
    sent: list[TopicSink] = []

    with contextlib.ExitStack() as stack:

        def sinks(_intake: Intake, spec: Spec) -> Sequence[Sink]:
            """All that the steps go to: what is made of them at once stands first."""
            from canmap.cli.lines import LinePrinter
            from canmap.stream.on_time import OnTimeSink

            spec.require_records(shown or ())
            printer: Sink = LinePrinter(every, shown, si=request.si)
            if clock is not None:
                printer = OnTimeSink(printer, clock)
            if topics is not None:
                sent.append(topics.sink(spec, clock, stack))
            if clock is not None and "-" not in request.captures:
                stack.enter_context(key)
            return (*sent, *(() if silent else (printer,)))

        result = request.inspect(sinks, pace=clock, stop=stop)
    if not silent:
        _print_end(result, clock, sent)
    if stop.asked:
        print_line("interrupted; the report covers only what was read until then", to_stderr=True)
        return INTERRUPTED
    return exit_status(result)


def _print_end(result: Inspection, clock: Pace | None, sent: Sequence[TopicSink]) -> None:
    from canmap.cli.lines import print_sent, print_verdict

    print_verdict(result, clock)
    for sink in sent:
        print_sent(sink)


def _pace(text: str, key: PauseKey) -> Pace | None:
    """Return the pace for `--pace`, which `key` pauses; None for flat out.

    Raises:
        UsageError: It is neither "flat" nor a positive number.
    """
    from canmap.timing.pace import AHEAD_S, Pace

    if text == "flat":
        return None
    try:
        factor = float(text)
    except ValueError:
        factor = 0.0
    if not 0 < factor < float("inf"):
        raise UsageError(f"--pace {text} is neither a positive number nor flat.")
    return Pace(factor, paused=key.paused, ahead_s=AHEAD_S)
