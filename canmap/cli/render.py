"""An inspection on a terminal, or as plain lines in a pipe."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.segment import Segment, Segments
from rich.text import Text

from canmap.base.errors import printable
from canmap.base.words import number, times
from canmap.cli.course import show_course
from canmap.cli.finding_lines import counted, show_findings
from canmap.cli.tables import fits, print_blocks, print_rows
from canmap.results.inspection import ValueSummary
from canmap.results.shown import in_si

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from rich.console import ConsoleOptions, RenderableType

    from canmap.results.inspection import Inspection, MessageSummary
    from canmap.results.shown import Shown
    from canmap.summaries.alive import Alive, Extent
    from canmap.summaries.fields import RecordSummary

PIPE_WIDTH = 120
# Columns that a screen may do without, in the order in which one that is too narrow leaves them out.
NOTHING = 1e-5  # of the largest value of a field: what is smaller is shown as 0
OPTIONAL = (("sender",), ("mean",), ("99 %",), ("min", "max"), ("promised",))


class Screen(Console):
    """A console that leaves it to the program what to do when its reader has gone."""

    def print(self, *objects: Any, **options: Any) -> None:
        """Print; in a pipe a sentence is a whole line, and no line ends in blanks."""
        laid_out = any(isinstance(one, Segments) for one in objects)  # by whoever made them
        if self.is_terminal or laid_out:
            super().print(*objects, **options)
            return
        sentence = all(isinstance(one, Text | str) for one in objects)
        with self.capture() as captured:
            super().print(*objects, **{"soft_wrap": sentence, **options})
        for line in captured.get().splitlines():
            super().print(Text(line.rstrip()), soft_wrap=True)

    def on_broken_pipe(self) -> None:
        """Pass it on."""
        raise BrokenPipeError

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterator[Segment]:
        """Give the pieces of what is printed, without anything from outside that steers a terminal."""
        for piece in super().render(renderable, options):
            text = "\n".join(map(printable, piece.text.split("\n")))
            yield piece if piece.control or text == piece.text else Segment(text, piece.style)


def console() -> Screen:
    """Return the console for standard output: as wide as it is, or wide enough for a pipe."""
    return Screen(width=screen_width(), highlight=False)


def screen_width() -> int:
    """Return how many columns standard output has now: a window may be drawn wider or narrower."""
    columns = os.environ.get("COLUMNS", "")
    if columns.isdecimal() and int(columns) > 0:
        return int(columns)
    # rich would take 0 for a width
    width = os.get_terminal_size(sys.stdout.fileno()).columns if sys.stdout.isatty() else 0
    return width or PIPE_WIDTH


def show(result: Inspection, out: Screen | None = None, *, si: bool = False) -> None:
    """Print an inspection, its values in the units of the manual or in SI."""
    out = out or console()
    _show_capture(result, out)
    _show_messages(result, out)
    _show_records(result, out, si=si)
    show_course(result, out)
    show_findings(result, out, si=si)
    style = "bold red" if result.verdict == "fail" else "bold green"
    out.print()
    out.print(Text.assemble((f"{result.verdict.upper()}", style), f": {counted(result)}"))


def _show_capture(result: Inspection, out: Screen) -> None:
    capture = result.capture
    start = capture.at(capture.start_ns)
    channels = ", ".join(f"{name} {count:,}" for name, count in sorted(capture.channels.items()))
    out.print(Text(printable(f"{result.vehicle}: {', '.join(capture.files)}"), style="bold"))
    text = f"{times(capture.frames, 'frame')} in {number(round(capture.duration_s, 3))} s"
    text += f" from {start}" if start else ""
    text += f"; by channel: {channels}"
    text += f"; {times(capture.bad_lines, 'bad line')}" if capture.bad_lines else ""
    errors = capture.error_frames
    text += f"; {times(errors, 'error frame')}" if errors else "; error frames not recorded"
    remote = capture.remote_frames
    text += f"; {times(remote, 'remote frame')}, which hold no values" if remote else ""
    out.print(Text(printable(text)))


def _show_table(out: Screen, heading: str, left: Sequence[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Print rows by column title, without lines.

    On a narrow screen some columns are left out. Where names would have to be broken all the same, every row
    is a block of lines with all it has.

    Args:
        out: The console.
        heading: Stands above the table.
        left: Columns that do not hold numbers.
        rows: Cells by title, the same titles in each row; the first is the name of what the row tells of.
    """
    listed = [{title: printable(cell) for title, cell in row.items()} for row in rows]
    out.print(Text(heading, style="bold"))
    for count in range(len(OPTIONAL) + 1):
        left_out = [title for titles in OPTIONAL[:count] for title in titles if title in listed[0]]
        titles = [title for title in listed[0] if title not in left_out]
        lines = [titles, *([row[title] for title in titles] for row in listed)]
        if fits(out, lines):
            break
    else:
        print_blocks(out, listed)
        return
    print_rows(out, lines, left)
    if left_out:
        out.print(Text(f"  Left out because the screen is too narrow: {', '.join(left_out)}.", style="dim"))


def _show_messages(result: Inspection, out: Screen) -> None:
    came = [message for message in result.messages if message.count]
    silent = [message for message in result.messages if not message.count]
    out.print()
    several = len({message.bus for message in result.messages}) > 1
    if came:
        rows = (row for message in came for row in _message_rows(message, several=several))
        _show_table(out, "Messages, with the time between their frames in ms", ("message", "sender"), rows)
    if silent:
        names = _listing([message.name for message in silent])
        out.print(Text(f"Described, but not in the capture: {names}", style="dim"))


def _message_rows(message: MessageSummary, *, several: bool) -> Iterator[dict[str, str]]:
    """Rows of the message, and of the values of its multiplexer for which something is promised."""
    name = f"{message.bus} {message.name}" if several else message.name
    yield {"message": name, **_came(message), "sender": message.sender or ""}
    for value in message.values:
        yield {"message": f"  with {value.signal} {value.value}", **_came(value), "sender": ""}


def _came(summary: MessageSummary | ValueSummary) -> dict[str, str]:
    period = summary.period
    return {
        "frames": f"{summary.count:,}",
        "promised": _promised(summary),
        "median": _ms(period.median_ns),
        "99 %": _ms(period.p99_ns),
        "longest": _ms(period.longest_ns),
    }


def _promised(summary: MessageSummary | ValueSummary) -> str:
    """The promised period, or the longest time between two frames where only a heartbeat is promised."""
    heartbeat_ns = None if isinstance(summary, ValueSummary) else summary.heartbeat_ns
    if summary.nominal_ns is None and heartbeat_ns is not None:
        return f"<= {_ms(heartbeat_ns)}"
    return _ms(summary.nominal_ns)


def _listing(names: Sequence[str], most: int = 12) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _ms(duration_ns: float | None) -> str:
    return "" if duration_ns is None else number(round(duration_ns / 1e6, 3))


def _show_records(result: Inspection, out: Screen, *, si: bool) -> None:
    if not result.record_summaries:
        return
    shown = in_si(result.shown) if si else result.shown
    rows = [
        row
        for name, summary in result.record_summaries.items()
        for row in _record_rows(name, summary, result.extents[name], shown[name])
    ]
    if not any(row["age"] for row in rows):
        rows = [{title: cell for title, cell in row.items() if title != "age"} for row in rows]
    out.print()
    units = "SI units" if si else "the manual's units"
    heading = f"Records, in {units}, valid for a share of the time"
    _show_table(out, heading, ("record", "unit"), rows)


def _record_rows(
    name: str, summary: RecordSummary, extent: Extent, shown: Mapping[str, Shown]
) -> Iterable[dict[str, str]]:
    titles = ("record", "unit", "min", "max", "mean", "last", "age", "valid")
    if not summary.count:
        yield dict.fromkeys(titles, "") | {"record": name, "last": "no record"}
        return
    for field, span in summary.fields.items():
        how = shown[field]
        numbers = (span.low, span.high, span.mean if how.type.kind is float else None, span.last)
        largest = max((abs(one) for one in (span.low, span.high) if one is not None), default=0)
        told = [None if one is None else one if abs(one) >= NOTHING * largest else 0 for one in numbers]
        cells = [f"{name}.{field}", how.heading, *("" if one is None else how.text(one) for one in told)]
        cells += [_ago(span.alive, extent), _share(span.alive.in_all_ns(extent), extent.covered_ns)]
        yield dict(zip(titles, cells, strict=True))


def _ago(alive: Alive, extent: Extent) -> str:
    """How old a value is that was dead by the end of the session; nothing of one that could be used then."""
    age_ns = alive.age_ns(extent)
    if age_ns is None or not alive.is_dead(extent):
        return ""
    age_s = age_ns / 1e9
    return f"{age_s:.1f} s ago" if age_s < 10 else f"{age_s:.0f} s ago"


def _share(part: int, whole: int) -> str:
    """A share in percent that says 100 only where it is all, 0 only where it is none, nothing of nothing."""
    if not whole:
        return ""
    if part in (0, whole):
        return f"{100 * part // whole} %"
    return f"{min(max(100 * part / whole, 0.1), 99.9):.1f} %"
