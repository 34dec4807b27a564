"""`canmap replay`: a capture through the same engine at the pace at which it was recorded."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING, Annotated

import typer

from canmap.cli import options
from canmap.cli.inspect import exit_status
from canmap.errors import UsageError

if TYPE_CHECKING:
    from canmap.clock import Pace

EPILOG = """\
Examples:

  canmap replay drive.log --spec cart.yaml

  canmap replay drive.log --spec cart.yaml --pace 10 --from 12 --to 20 --record steering --every 0.1

  canmap replay drive.log --spec cart.yaml --pace flat --json -

Nothing is transmitted. Exit status as for inspect.
"""


def replay_command(
    captures: options.Captures,
    spec: options.SpecPath,
    pace: Annotated[
        str, typer.Option("--pace", metavar="FACTOR", help="Recorded seconds in a second, or: flat.")
    ] = "1",
    record: Annotated[
        list[str] | None,
        typer.Option(
            "--record", metavar="NAME", help="Print only this record; may be given again; or: none."
        ),
    ] = None,
    every: Annotated[
        float, typer.Option("--every", metavar="S", help="Recorded seconds between two lines of a record.")
    ] = 1.0,
    json_path: options.JsonPath = None,
    channel: options.Channels = None,
    description: options.Descriptions = None,
    from_s: options.FromSecond = None,
    to_s: options.ToSecond = None,
) -> int:
    """Play a capture through the mapping, printing records and what opens and closes, a line each."""
    channels = options.assignments(channel, "--channel")
    descriptions = options.assignments(description, "--description")
    span = options.span(from_s, to_s)
    clock = _pace(pace)
    from canmap.api import inspect_intake
    from canmap.cli.lines import LinePrinter
    from canmap.frames.readers import open_captures
    from canmap.frames.window import Window
    from canmap.outputs.files import whole_text_file
    from canmap.run import Intake
    from canmap.spec.loader import load_spec

    with contextlib.ExitStack() as stack:
        intake = Intake(Window.of(open_captures(captures), *span))
        stack.callback(intake.close)
        file = None if json_path is None else stack.enter_context(whole_text_file(json_path))
        loaded = load_spec(spec, channels=channels, descriptions=descriptions)
        printer = LinePrinter(loaded, record, every, silent=json_path == "-")
        result = inspect_intake(intake, loaded, listen=printer.step, pace=clock)
        printer.finish(result, clock)
        if file is not None:
            json.dump(result.to_json(), file, indent=1, allow_nan=False)
            file.write("\n")
    return exit_status(result)


def _pace(text: str) -> Pace | None:
    """Return the pace for `--pace`, None for flat out.

    Raises:
        UsageError: It is neither "flat" nor a positive number.
    """
    from canmap.clock import Pace

    if text == "flat":
        return None
    try:
        factor = float(text)
    except ValueError:
        factor = 0.0
    if not 0 < factor < float("inf"):
        raise UsageError(f"--pace {text} is neither a positive number nor flat.")
    return Pace(factor)
