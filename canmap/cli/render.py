"""An inspection on a terminal, or as plain lines in a pipe."""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from typing import TYPE_CHECKING

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from canmap.checks.finding import Kind, Severity
from canmap.checks.intake import identifier
from canmap.checks.words import number, times
from canmap.inspection import last_value
from canmap.vocabulary import field_types

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canmap.checks.finding import Finding
    from canmap.inspection import Inspection, MessageSummary

STYLES = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "dim"}
SHOWN = 40  # findings of one severity that are shown; JSON has all
PIPE_WIDTH = 120
NARROW = 80


def console() -> Console:
    """Return the console for standard output: as wide as it is, or wide enough for a pipe."""
    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else PIPE_WIDTH
    return Console(width=width, highlight=False)


def show(result: Inspection, out: Console | None = None) -> None:
    """Print an inspection."""
    out = out or console()
    _show_capture(result, out)
    _show_messages(result, out)
    _show_records(result, out)
    _show_findings(result, out)
    counts = [
        times(sum(f.severity is severity for f in result.findings), severity.value) for severity in Severity
    ]
    style = "bold red" if result.verdict == "fail" else "bold green"
    out.print()
    out.print(Text.assemble((f"{result.verdict.upper()}", style), f": {', '.join(counts)}"))


def _show_capture(result: Inspection, out: Console) -> None:
    capture = result.capture
    start = capture.at(capture.start_ns)
    channels = ", ".join(f"{name} {count:,}" for name, count in sorted(capture.channels.items()))
    out.print(
        Text(f"{result.vehicle}: {', '.join(capture.files)}", style="bold"), soft_wrap=not out.is_terminal
    )
    text = f"{times(capture.frames, 'frame')} in {number(round(capture.duration_s, 3))} s"
    text += f" from {start}" if start else ""
    text += f"; by channel: {channels}"
    for count, noun in ((capture.bad_lines, "bad line"), (capture.error_frames, "error frame")):
        text += f"; {times(count, noun)}" if count else ""
    out.print(Text(text))


def _table(columns: Sequence[tuple[str, bool]]) -> Table:
    """A table without lines; each column has a title and says whether it holds numbers."""
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for title, is_number in columns:
        table.add_column(title, justify="right" if is_number else "left", no_wrap=is_number, overflow="fold")
    return table


def _show_messages(result: Inspection, out: Console) -> None:
    came = [message for message in result.messages if message.count]
    silent = [message for message in result.messages if not message.count]
    out.print()
    several = len({message.bus for message in result.messages}) > 1
    narrow = out.width < NARROW
    columns = [("message", False), ("frames", True), ("promised", True), ("median", True)]
    columns += [] if narrow else [("99 %", True)]
    columns += [("longest", True)]
    columns += [] if narrow else [("sender", False)]
    table = _table(columns)
    for message in came:
        period = message.period
        name = f"{message.bus} {message.name}" if several else message.name
        cells = [name, f"{message.count:,}", _ms(message.nominal_ns), _ms(period.median_ns)]
        cells += [] if narrow else [_ms(period.p99_ns)]
        cells += [_ms(period.longest_ns)]
        cells += [] if narrow else [message.sender or ""]
        table.add_row(*cells)
    if came:
        out.print(Text("Messages, with the time between their frames in ms", style="bold"))
        out.print(Padding(table, (0, 0, 0, 2)))
    if silent:
        out.print(Text(f"Described, but not in the capture: {_names(silent)}", style="dim"))


def _names(messages: Iterable[MessageSummary], most: int = 12) -> str:
    names = [message.name for message in messages]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _ms(duration_ns: float | None) -> str:
    return "" if duration_ns is None else number(round(duration_ns / 1e6, 3))


def _show_records(result: Inspection, out: Console) -> None:
    if not result.record_summaries:
        return
    narrow = out.width < NARROW
    columns = [("record", False), ("unit", False), ("min", True), ("max", True)]
    columns += [] if narrow else [("mean", True)]
    columns += [("last", True), ("valid", True)]
    table = _table(columns)
    for name, summary in result.record_summaries.items():
        types = field_types(result.record_types[name])
        if not summary.count:
            table.add_row(name, "", *[""] * (len(columns) - 3), "none came")
        for field, span in summary.fields.items():
            is_number = types[field].kind is float
            last = last_value(types[field], span)
            cells = [f"{name}.{field}", types[field].unit]
            cells += [_value(span.low if is_number else None), _value(span.high if is_number else None)]
            cells += [] if narrow else [_value(span.mean if is_number else None)]
            cells += [_value(last), _share(span.valid, summary.count)]
            table.add_row(*cells)
    out.print()
    out.print(Text("Records, in SI units", style="bold"))
    out.print(Padding(table, (0, 0, 0, 2)))


def _value(value: float | str | None) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else number(value)


def _share(part: int, whole: int) -> str:
    """A share in percent that says 100 only where it is all, and 0 only where it is none."""
    if part in (0, whole):
        return f"{100 * part // whole} %"
    return f"{min(max(100 * part / whole, 0.1), 99.9):.1f} %"


def _show_findings(result: Inspection, out: Console) -> None:
    out.print()
    if not result.findings:
        out.print(Text("Nothing found", style="bold"))
        return
    out.print(Text("Findings, with their seconds from the start", style="bold"))
    groups: dict[Severity, list[Finding]] = defaultdict(list)
    for finding in result.findings:
        groups[finding.severity].append(finding)
    for severity in Severity:
        listed = [f for f in groups[severity] if f.kind is not Kind.UNKNOWN_ID or f.place.bus is None]
        for finding in listed[:SHOWN]:
            show_finding(result, finding, out)
        if len(listed) > SHOWN:
            out.print(Text(f"  and {times(len(listed) - SHOWN, f'more {severity.value}')}; --json has all"))
    _show_unknown(result, out)


def show_finding(result: Inspection, finding: Finding, out: Console) -> None:
    """Print one finding: severity, kind, span, sentence."""
    start, end = result.seconds(finding.start_ns), result.seconds(finding.end_ns)
    span = f"{start:.3f}" if start == end else f"{start:.3f} to {end:.3f}"
    span += ", open" if finding.open else ""
    head = Text.assemble("  ", (finding.severity.value, STYLES[finding.severity]), f" {finding.kind.value}")
    if finding.kind is not Kind.SPEC:
        head.append(f" [{span}]", style="cyan")
    head.append(f"  {finding.text}")
    if out.is_terminal:
        out.print(Padding(head[2:], (0, 0, 0, 2)))
    else:
        out.print(head, soft_wrap=True)


def _show_unknown(result: Inspection, out: Console) -> None:
    """All unknown identifiers in one sentence a channel; JSON has each of them."""
    by_channel: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for channel, can_id, extended, count in result.unknown_ids:
        by_channel[channel].append((identifier(can_id, extended=extended), count))
    for channel, ids in sorted(by_channel.items()):
        names = ", ".join(name for name, _ in ids[:12]) + (" ..." if len(ids) > 12 else "")
        frames = sum(count for _, count in ids)
        text = Text.assemble("  ", ("note", STYLES[Severity.NOTE]), f" {Kind.UNKNOWN_ID.value}  ")
        text.append(f"{times(len(ids), 'identifier')} on {channel} that no description knows, ")
        text.append(f"in {times(frames, 'frame')}: {names}")
        out.print(text, soft_wrap=not out.is_terminal)
