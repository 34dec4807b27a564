"""`canmap export`: the records of captures as tables or lines, for other programs."""

from __future__ import annotations

import contextlib
import math
from collections import Counter
from typing import TYPE_CHECKING

import click

from canmap.base.words import listed, times
from canmap.cli.options import Request, reads_session
from canmap.cli.printing import print_line

if TYPE_CHECKING:
    from canmap.api.export import Exported
    from canmap.stream.sink import Sink

EPILOG = """\
\b
Examples:
  canmap export drive.log --spec cart.yaml --into drive.jsonl
  canmap export drive.log --spec cart.yaml --record steering --into steering.parquet
  canmap export drive.log --spec cart.yaml --into tables/ --format csv
  canmap export drive.log --spec cart.yaml --into - | jq 'select(.record == "steering")'

A .jsonl file holds all records, changes and findings, a line each. A .csv or .parquet file holds one record;
a folder holds a table for each, and tables of findings, of changes, and of columns with their units. Values
are in SI units, and empty where not valid. An existing file is replaced only with --overwrite.

Exit status: 0 when all is written, whatever was found; 2 if the command failed, 130 after Ctrl-C.
"""


@click.command("export", epilog=EPILOG, short_help="Write records as tables or lines for other programs.")
@reads_session
@click.option("--into", metavar="FILE|FOLDER", required=True, help="Where to write; - is standard output.")
@click.option("--record", metavar="NAME", multiple=True, help="Write only this record; may be repeated.")
@click.option(
    "--format",
    "form",
    metavar="FORM",
    help="jsonl (the usual one) or csv on standard output; csv or parquet (the usual one) in a folder.",
)
def export_command(request: Request, into: str, record: tuple[str, ...], form: str | None) -> int:
    """Write the records of captures, what changed and the findings to tables or lines."""
    from canmap.cli.progress import Progress

    with contextlib.ExitStack() as stack:
        intake, spec = stack.enter_context(request.opened())
        from canmap.api.export import export_intake, names_to_write
        from canmap.outputs.tables.destination import destination

        place = destination(into, form, names_to_write(spec, record or None))
        beside: list[Sink] = []
        if into != "-":  # its lines may be on the same terminal
            progress = stack.enter_context(Progress(in_part=request.span_s != (0.0, math.inf)))
            beside += progress.of(intake)
        inputs = tuple(request.descriptions.values())
        done = export_intake(intake, spec, place, overwrite=request.overwrite, inputs=inputs, beside=beside)
    _tell(done)
    return 0


def _tell(done: Exported) -> None:
    """Say what was written and how much was found, on standard error where it may have gone to the output."""
    kinds = list(done.rows)
    of = f" of {kinds[0]}" if len(kinds) == 1 else f" of {times(len(kinds), 'kind')}"
    tables = f" in {times(len(done.files), 'table')}" if len(done.files) > 1 else ""
    size = "" if done.size is None else f", {_bytes(done.size)}"
    where = "on standard output" if done.into == "-" else f"in {done.into}"
    to_stderr = done.size is None
    records = times(sum(done.rows.values()), "record")
    print_line(f"{records}{of}{tables} {where}{size}.", to_stderr=to_stderr)
    count = Counter(finding.severity.value for finding in done.result.findings)
    found = [times(count[word], word) for word in ("error", "warning", "note") if count[word]]
    print_line(f"Findings: {listed(found, 'and') if found else 'none'}.", to_stderr=to_stderr)


def _bytes(size: int) -> str:
    """Return a size in words: "12 bytes", "3.4 kB", "56 MB"."""
    if size < 1000:
        return times(size, "byte")
    value, unit = size / 1000, "kB"
    for larger in ("MB", "GB"):
        if value >= 999.5:
            value, unit = value / 1000, larger
    return f"{value:.3g} {unit}"
