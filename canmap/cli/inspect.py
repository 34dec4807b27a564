"""`canmap inspect`: what a capture says of the vehicle, and what is wrong with it."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING

from canmap.cli import options

if TYPE_CHECKING:
    from canmap.inspection import Inspection

EPILOG = """\
Examples:

  canmap inspect drive.log --spec cart.yaml

  canmap inspect drive.log.gz --spec cart.yaml --json - | jq .verdict

  zcat old.log.gz | canmap inspect - --spec cart.yaml --channel drive=can1

Exit status: 0 without an error among the findings, 1 with one, 2 if the work could not be done.
"""


def inspect_command(
    captures: options.Captures,
    spec: options.SpecPath,
    json_path: options.JsonPath = None,
    channel: options.Channels = None,
    description: options.Descriptions = None,
    from_s: options.FromSecond = None,
    to_s: options.ToSecond = None,
) -> int:
    """Show the state of the vehicle in a capture, and what was wrong with it."""
    channels = options.assignments(channel, "--channel")
    descriptions = options.assignments(description, "--description")
    span = options.span(from_s, to_s)
    # Reading begins before the heavy imports: parsing on its threads hides them.
    from canmap.frames.readers import open_captures
    from canmap.frames.window import Window
    from canmap.run import Intake

    with contextlib.ExitStack() as stack:
        intake = Intake(Window.of(open_captures(captures), *span))
        stack.callback(intake.close)
        from canmap.outputs.files import whole_text_file

        file = None if json_path is None else stack.enter_context(whole_text_file(json_path))
        from canmap.api import inspect_intake
        from canmap.cli.progress import Progress
        from canmap.spec.loader import load_spec

        loaded = load_spec(spec, channels=channels, descriptions=descriptions)
        with Progress() as progress:
            result = inspect_intake(intake, loaded, listen=progress.step)
        if json_path != "-":
            from canmap.cli.render import show

            show(result)
        if file is not None:
            json.dump(result.to_json(), file, indent=1, allow_nan=False)
            file.write("\n")
    return exit_status(result)


def exit_status(result: Inspection) -> int:
    """0 for pass, 1 for fail."""
    return 0 if result.verdict == "pass" else 1
