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
    from canmap.outputs.destination import Destination
    from canmap.outputs.export_forms import ExportSink
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
  canmap replay drive.log --spec cart.yaml --into drive.mcap
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
    "--record",
    metavar="NAME",
    multiple=True,
    help="Print (and write into FILE) only this record; none prints no record; may be repeated.",
)
@click.option(
    "--every",
    metavar="S",
    type=seconds,
    default=1.0,
    help="Print each record once in S recorded seconds (1); 0 prints every record.",
)
@click.option(
    "--into", metavar="FILE|FOLDER", help="Also write what canmap export writes there, by the ending."
)
@sends_topics
def replay_command(
    request: Request,
    pace: str,
    record: tuple[str, ...],
    every: float,
    into: str | None,
    topics: TopicRequest | None,
    namespace: str,
) -> int:
    """Play a capture through the mapping; print records, and when findings begin and end.

    With --into, also write them to a file; with --topics, also publish them.
    """
    from canmap.cli.keys import PauseKey
    from canmap.engine.run import StopRequest

    key = PauseKey()
    clock, stop, silent = _pace(pace, key), StopRequest(), request.json_path == "-"
    shown = [name for name in record if name != "none"] if record else None
    written: list[ExportSink] = []
    sent: list[TopicSink] = []

    with contextlib.ExitStack() as stack:

        def sinks(intake: Intake, spec: Spec) -> Sequence[Sink]:
            """All that the steps go to; what goes out at its moment stands first."""
            from canmap.stream.some_records import SomeRecordsSink

            spec.require_records(shown or ())
            files: list[Sink] = []
            if into is not None:
                place = _destination(into, spec, shown, namespace)
                written.append(stack.enter_context(_export_sink(request, intake, spec, place)))
                files.append(SomeRecordsSink(written[-1], place.records))
            if topics is not None:
                sent.append(topics.sink(spec, clock, stack))
            if clock is not None and "-" not in request.captures:
                stack.enter_context(key)
            lines = [] if silent else [_lines(every, shown, clock, si=request.si)]
            return (*sent, *lines, *files)

        result = request.inspect(sinks, pace=clock, stop=stop)
        for file in written:
            file.conclude(result)
    if not silent:
        _print_end(result, clock, sent, si=request.si)
    if stop.asked:
        print_line("interrupted; the report covers only what was read until then", to_stderr=True)
        return INTERRUPTED
    return exit_status(result)


def _destination(into: str, spec: Spec, records: Sequence[str] | None, namespace: str) -> Destination:
    """Return where `--into` writes, as an export does.

    Raises:
        UsageError: It is standard output, or as in `export_place`.
    """
    from canmap.cli.export import export_place

    if into == "-":
        raise UsageError(
            "--into - would mix with the lines of the replay; name a file, or use canmap export."
        )
    return export_place(into, None, spec, records, namespace)


def _export_sink(
    request: Request, intake: Intake, spec: Spec, place: Destination
) -> contextlib.AbstractContextManager[ExportSink]:
    from canmap.api.export import export_sink

    inputs = tuple(request.descriptions.values())
    return export_sink(intake, spec, place, overwrite=request.overwrite, inputs=inputs)


def _lines(every_s: float, records: Sequence[str] | None, pace: Pace | None, *, si: bool) -> Sink:
    """Return what prints lines, each at its moment."""
    from canmap.cli.lines import LinePrinter
    from canmap.stream.on_time import OnTimeSink
    from canmap.stream.some_records import SomeRecordsSink

    printer: Sink = LinePrinter(every_s, si=si)
    if records is not None:
        printer = SomeRecordsSink(printer, records)
    return printer if pace is None else OnTimeSink(printer, pace)


def _print_end(result: Inspection, clock: Pace | None, sent: Sequence[TopicSink], *, si: bool) -> None:
    from canmap.cli.lines import print_sent, print_verdict

    print_verdict(result, clock, si=si)
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
    return Pace(factor, paused=key.paused, ahead_s=AHEAD_S, suspended_s=lambda: key.suspended_s)
