"""`canmap diagnose`: why the vehicle stopped, what followed from it, and what to check."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from canmap.cli.inspect import exit_status
from canmap.cli.options import Request, reads_captures_for, seconds
from canmap.cli.printing import print_line

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.diagnosis.diagnosis import Diagnosis
    from canmap.engine.intake import Intake
    from canmap.mapping.model import Spec

EPILOG = """\
\b
Examples:
  canmap diagnose drive.log --spec cart.yaml
  canmap diagnose drive.log --spec cart.yaml --at 12.4
  canmap diagnose drive.log --spec cart.yaml --pack for_the_maker

An episode begins where an axis let go other than because the computer handed it back, where
messages fell silent, where a demand was refused, or where frames, values or stamps became doubtful.
Captures are read twice.

The maker's manual, local rules and licensed practice come first.

Exit status: 0 if no finding is an error, 1 if one is, 2 if the command failed, 130 after Ctrl-C.
"""
_OWN_JSON = '{\n "schema": "canmap/diagnosis/'  # what a diagnosis as JSON begins with


@click.command("diagnose", epilog=EPILOG, short_help="Say why the vehicle stopped, and what to check.")
@reads_captures_for("diagnosis")
@click.option(
    "--at",
    "at_s",
    metavar="S",
    type=seconds,
    help="Only the episode at S seconds, or the nearest within 5 s of it.",
)
@click.option("--axis", metavar="RECORD", help="Only episodes in which this axis let go or fell silent.")
@click.option("--message", metavar="MESSAGE", help="Only episodes that are about this message.")
@click.option(
    "--pack",
    metavar="FOLDER",
    help="Write a folder for the maker: the capture cut around each episode, spec, page.",
)
def diagnose_command(
    request: Request, at_s: float | None, axis: str | None, message: str | None, pack: str | None
) -> int:
    """Say what went wrong first, what followed from it, and what to check at the vehicle."""
    import contextlib

    from canmap.api.diagnose import diagnose_intake, require_files
    from canmap.diagnosis.telling.diagnosis_json import diagnosis_json
    from canmap.outputs.files import whole_text_file
    from canmap.outputs.guard import guard_output

    require_files(request.captures)
    with request.opened() as (first, spec), contextlib.ExitStack() as stack:
        inputs = (*request.captures, *spec.files, *request.descriptions.values())
        file = None
        if request.json_path is not None:
            guard_output(request.json_path, inputs, overwrite=request.overwrite, own=_OWN_JSON)
            file = stack.enter_context(whole_text_file(request.json_path))
        opened = _one_after_the_other(first, request)
        diagnosis = diagnose_intake(opened, spec, at_s=at_s, axis=axis, message=message)
        packed = None if pack is None else _pack(diagnosis, spec, opened, pack, request)
        if file is not None:
            json.dump(diagnosis_json(diagnosis), file, indent=1, allow_nan=False)
            file.write("\n")
    if request.json_path != "-":
        show_diagnosis(diagnosis, si=request.si)
        if packed is not None:
            print_line("")
            print_line(packed)
    return exit_status(diagnosis.result)


def _pack(
    diagnosis: Diagnosis, spec: Spec, opened: Callable[[], Intake], folder: str, request: Request
) -> str:
    """Write a pack, and return what is said of it."""
    from canmap.api.diagnosis_pack import INDEX, PackSource, pack_diagnosis
    from canmap.base.words import times

    source = PackSource(opened, request.channels, request.descriptions)
    count = pack_diagnosis(diagnosis, spec, source, folder, overwrite=request.overwrite)
    if not count:
        return "Nothing was packed, as there is no episode."
    return f"{times(count, 'episode')} packed into {folder}; its {INDEX} says what is what."


def _one_after_the_other(first: Intake, request: Request) -> Callable[[], Intake]:
    """The intake that is open, then others of the same captures."""
    waiting = [first]

    def opened() -> Intake:
        from canmap.engine.intake import Intake
        from canmap.frames.readers import open_captures
        from canmap.frames.window import Window

        return waiting.pop() if waiting else Intake(open_captures(request.captures), Window(*request.span_s))

    return opened


def show_diagnosis(diagnosis: Diagnosis, *, si: bool = False) -> None:
    """Print a diagnosis, wrapped to the screen; in a pipe to `COLUMNS`, or as wide as a page."""
    import os

    from rich.text import Text

    from canmap.cli.render import console
    from canmap.diagnosis.telling.page import WIDTH, page
    from canmap.diagnosis.telling.page_lines import Style, wrapped

    out = console()
    width = out.width if out.is_terminal or os.environ.get("COLUMNS") else WIDTH
    styles = {Style.PLAIN: "", Style.HEADING: "bold", Style.FAINT: "dim", Style.DRAWN: ""}
    for line in page(diagnosis, width, si=si):
        for text in wrapped(line, width):
            out.print(Text(text, style=styles[line.style]), soft_wrap=True)
