"""`canmap export`: the records of captures as tables, lines or a bag, for other programs."""

from __future__ import annotations

import contextlib
import math
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from canmap.base.errors import UsageError
from canmap.base.words import listed, times
from canmap.cli.options import Request, reads_session
from canmap.cli.printing import print_line
from canmap.cli.topic_options import checked_names
from canmap.findings.finding import Severity
from canmap.findings.kinds import MISSING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.api.export import Exported
    from canmap.mapping.model import Spec
    from canmap.outputs.destination import Destination
    from canmap.stream.sink import Sink

MOST_ERRORS = 5  # that are printed, of what is not in the export
EPILOG = """\
\b
Examples:
  canmap export drive.log --spec cart.yaml --into drive.jsonl
  canmap export drive.log --spec cart.yaml --record steering --into steering.parquet
  canmap export drive.log --spec cart.yaml --into tables/ --format csv
  canmap export drive.log --spec cart.yaml --into drive.mcap --namespace cart
  canmap export drive.mcap.part --into drive.mcap

A .jsonl file holds all records, changes and findings, a line each. A .csv or .parquet file holds one kind of
record; a folder holds a table for each, and tables of findings, of changes, and of columns with their units.
Values are in SI units, and empty where not valid. A .mcap file holds messages of ROS 2 on the topics that
canmap topics lists, in the units of their types. When its export is killed, FILE.part stays: the last example
makes a whole file of it. An existing file is replaced only with --overwrite.

Exit status: 0 when all is written, whatever was found; 1 if there was no record to write, because of an error
that is found; 2 if the command failed, 130 after Ctrl-C.
"""


@click.command(
    "export", epilog=EPILOG, short_help="Write records as tables, lines or a bag for other programs."
)
@reads_session
@click.option("--into", metavar="FILE|FOLDER", required=True, help="Where to write; - is standard output.")
@click.option("--record", metavar="NAME", multiple=True, help="Write only this record; may be repeated.")
@click.option(
    "--format",
    "form",
    metavar="FORM",
    help="jsonl (the usual one) or csv on standard output; csv or parquet (the usual one) in a folder.",
)
@click.option("--namespace", metavar="NAME", default="", help="Put the topics of a .mcap file below NAME.")
def export_command(
    request: Request, into: str, record: tuple[str, ...], form: str | None, namespace: str
) -> int:
    """Write the records of captures, what changed and the findings to tables, lines or a bag."""
    from canmap.cli.progress import Progress

    if _finishes_bag(request, into):
        if record or namespace or _is_excerpt(request):
            raise UsageError(
                "A .part becomes whole as it is: leave out --record, --namespace, --from and --to."
            )
        return _finish(request, into)
    request.require_spec()
    with contextlib.ExitStack() as stack:
        intake, spec = stack.enter_context(request.opened())
        from canmap.api.export import export_intake

        place = export_place(into, form, spec, record, namespace)
        if namespace and not place.is_bag:
            raise UsageError("--namespace is for the topics of a .mcap file; leave it out.")
        beside: list[Sink] = []
        if into != "-":  # its lines may be on the same terminal
            progress = stack.enter_context(Progress(in_part=_is_excerpt(request)))
            beside += progress.of(intake)
        inputs = tuple(request.descriptions.values())
        done = export_intake(intake, spec, place, overwrite=request.overwrite, inputs=inputs, beside=beside)
    return _tell(done, place.records)


def export_place(
    into: str, form: str | None, spec: Spec, records: Sequence[str] | None, namespace: str
) -> Destination:
    """Return where an export goes: all records, unless some are named.

    Raises:
        UsageError: It cannot hold these records, or `namespace` is not a namespace.
        OutputError: Nothing is exported there.
    """
    from canmap.api.export import names_to_write
    from canmap.outputs.destination import destination

    place = replace(destination(into, form, names_to_write(spec, records or None)), namespace=namespace)
    if place.is_bag:
        from canmap.topics.topic_table import topic_table

        checked_names(topic_table(spec), namespace)
    return place


def _is_excerpt(request: Request) -> bool:
    """Tell whether less than the whole session is asked for."""
    return request.span_s != (0.0, math.inf)


def _finishes_bag(request: Request, into: str) -> bool:
    """Tell whether a bag that was cut off is to be made whole: by the names, which no capture has."""
    from canmap.outputs.bags.bag_names import is_bag, is_cut_off_bag

    return is_bag(into) and any(map(is_cut_off_bag, request.captures))


def _finish(request: Request, into: str) -> int:
    from canmap.outputs.bags.bagfinish import finish_bag

    if len(request.captures) > 1:
        raise UsageError("One .part makes one whole bag; name it alone.")
    done = finish_bag(request.captures[0], into, overwrite=request.overwrite)
    print_line(f"{times(done.messages, 'message')} in {into}.")
    if done.dropped_bytes:
        print_line(f"Left out: {times(done.dropped_bytes, 'byte')} of a chunk that is not complete.")
    if done.damaged:
        print_line(f"Left out: {times(done.damaged, 'damaged record')}.")
    return 0


def _tell(done: Exported, records: Sequence[str]) -> int:
    """Say what was written and how much was found, on standard error where it may have gone to the output.

    Args:
        done: What became of the export.
        records: Names of the records that were to be written.

    Returns:
        The exit status.
    """
    to_stderr = done.size is None
    print_line(_written(done), to_stderr=to_stderr)
    severities = Counter(finding.severity.value for finding in done.result.findings)
    found = [times(severities[word], word) for word in ("error", "warning", "note") if severities[word]]
    print_line(f"Findings: {listed(found, 'and') if found else 'none'}.", to_stderr=to_stderr)
    errors = [finding for finding in done.result.findings if finding.severity is Severity.ERROR]
    # Records are counted, as a bag has messages of diagnostics in any case.
    came = any(done.result.record_summaries[name].count for name in records)
    missing = [finding for finding in errors if finding.kind is MISSING]
    for finding in (missing if came or missing else errors)[:MOST_ERRORS]:
        print_line(finding.text, to_stderr=True)
    return 0 if came or not errors else 1


def _written(done: Exported) -> str:
    kinds, count = list(done.rows), sum(done.rows.values())
    if done.is_bag:
        what = f"{times(count, 'message')} on {times(len(kinds), 'topic')}"
    else:
        of = kinds[0] if len(kinds) == 1 else times(len(kinds), "kind")
        tables = f" in {times(len(done.files), 'table')}" if len(done.files) > 1 else ""
        what = f"{times(count, 'record')} of {of}{tables}"
    size = "" if done.size is None else f", {_bytes(done.size)}"
    where = "on standard output" if done.into == "-" else f"in {done.into}"
    return f"{what} {where}{size}."


def _bytes(size: int) -> str:
    """Return a size in words: "12 bytes", "3.4 kB", "56 MB"."""
    if size < 1000:
        return times(size, "byte")
    value, unit = size / 1000, "kB"
    for larger in ("MB", "GB"):
        if value >= 999.5:
            value, unit = value / 1000, larger
    return f"{value:.3g} {unit}"
