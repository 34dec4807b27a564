"""A running engine as lines: records at a readable rate, changes, findings as they open and close."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from canmap.base.errors import UsageError, printable
from canmap.base.words import times
from canmap.cli.finding_lines import STYLES, counted, has_no_moment, show_known_at_the_end
from canmap.cli.hanging import print_hanging
from canmap.cli.render import console, screen_width
from canmap.findings.episodes import Closed, Opened
from canmap.frames.window import LONGEST_S
from canmap.records.change import told_once
from canmap.results.shown import in_si, shown_fields
from canmap.summaries.changes import LISTED_CHANGES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.findings.episodes import Event
    from canmap.outputs.node.topic_sink import TopicSink
    from canmap.records.change import Change
    from canmap.records.columns import RecordChunk
    from canmap.results.inspection import Inspection
    from canmap.results.shown import Shown
    from canmap.stream.sink import About, Step
    from canmap.timing.pace import Pace


class LinePrinter:
    """Prints what every step brings: the sink of `canmap replay`.

    Lines do not wait for what may still come of their moment, so that of one moment those of an earlier step
    stand first; nothing else of them depends on the steps.

    Args:
        every_s: Session time between two lines of one record.
        si: Whether values are shown in SI units, not in those of the manual.

    Raises:
        UsageError: `every_s` is no time.
    """

    def __init__(self, every_s: float, *, si: bool = False) -> None:
        if not 0 <= every_s <= LONGEST_S:
            raise UsageError(f"--every {every_s:g} is not a time; give seconds, 0 for every record.")
        self._every_ns = round(every_s * 1e9)
        self._first_ns: dict[str, int] = {}  # of each record: its first line, and when its next is due
        self._next_ns: dict[str, int] = {}
        self._told_ns = 0  # session clock up to which everything is told
        self._zero_ns = 0
        self._si = si
        self._shown: Mapping[str, Mapping[str, Shown]] = {}
        self._out = console()

    def open(self, about: About) -> None:
        """Note what the times count from, and how values are shown."""
        self._zero_ns = about.zero_ns
        shown = shown_fields(about.spec)
        self._shown = in_si(shown) if self._si else shown

    def write(self, step: Step) -> None:
        """Print the lines of one step, in the order of their time.

        Of one time, what changed stands before what follows from it. What begins and ends has the time at
        which that is known, and says when it was where that is earlier: a silence is known to be too long
        only after a while. What is known of the whole has the last time.
        """
        lines: list[tuple[int, Text]] = []
        for chunk in step.records:
            lines += self._record_lines(chunk)
        lines += [(change.clock_ns, _change_line(change)) for change in told_once(step.changes)]
        told_ns = step.now_ns
        for event in step.events:
            if has_no_moment(event.finding):
                continue  # told together at the end
            known_ns = step.now_ns if event.known_ns is None else event.known_ns
            known_ns = max(known_ns, self._told_ns)
            told_ns = max(told_ns, known_ns)
            lines.append((known_ns, _event_line(event, known_ns, self._zero_ns, si=self._si)))
        self._told_ns = max(self._told_ns, told_ns)
        if lines and self._out.is_terminal:
            self._out.width = screen_width()
        for at_ns, line in sorted(lines, key=lambda pair: pair[0]):
            print_hanging(self._out, f"{_seconds(at_ns, self._zero_ns):>10} s  ", line)

    def close(self, *, whole: bool) -> None:
        """Add nothing: every line is told, and the verdict comes with the result."""

    def _record_lines(self, chunk: RecordChunk) -> list[tuple[int, Text]]:
        lines = []
        clock = chunk.clock_ns
        place = int(np.searchsorted(clock, self._next_ns.get(chunk.name, clock[0])))
        while place < len(clock):
            now_ns = int(clock[place])
            lines.append((now_ns, _record_line(chunk, place, self._shown[chunk.name])))
            if self._every_ns:  # a grid from the record's own first stamp, so that late ones do not add up
                first_ns = self._first_ns.setdefault(chunk.name, now_ns)
                passed = (now_ns - first_ns) // self._every_ns
                self._next_ns[chunk.name] = first_ns + (passed + 1) * self._every_ns
                place = int(np.searchsorted(clock, self._next_ns[chunk.name]))
            else:  # every record, those of one moment too
                place += 1
        return lines


def print_verdict(result: Inspection, pace: Pace | None, *, si: bool = False) -> None:
    """Print what is said of the whole of a run, its verdict, and how well the pace was kept."""
    out = console()
    show_known_at_the_end(result, out, si=si)
    out.print(f"{result.verdict.upper()}: {counted(result)}")
    if pace is not None:
        out.print(f"No frame came more than {pace.worst_late_s * 1e3:.0f} ms late.", style="dim")


def print_sent(sink: TopicSink) -> None:
    """Print how many messages went out on topics, and how late they were."""
    out, late = console(), sink.lateness
    text = f"{times(sink.sent, 'message')} went out on {times(sink.topics, 'topic')}"
    if late.count:
        usual_ms, worst_ms = late.within_s(0.99) * 1e3, late.worst_s * 1e3
        text += f", 99 % of them at most {usual_ms:.1f} ms late and none more than {worst_ms:.1f} ms"
    out.print(f"{text}.", style="dim")


def _event_line(event: Event, known_ns: int, zero_ns: int, *, si: bool) -> Text:
    finding = event.finding
    known, start, end = (_seconds(at, zero_ns) for at in (known_ns, finding.start_ns, finding.end_ns))
    if isinstance(event, Opened):
        word, when = "begins", f"since {start} s" if start != known else ""
    elif isinstance(event, Closed) and not finding.open:
        word, when = "over", f"until {end} s" if end != known else ""
    elif isinstance(event, Closed):
        word, when = "open", f"since {start} s"
    elif start == end:
        word, when = "found", f"at {start} s" if start != known else ""
    else:
        word, when = "found", f"{start} to {end} s"
    line = Text(f"{word:6} {finding.severity.value} {finding.kind.value}", style=STYLES[finding.severity])
    return Text.assemble(line, f"  {printable(finding.told(si=si))}", f" ({when})" if when else "")


def _change_line(change: Change) -> Text:
    text = f"change {change.name}  {' to '.join(change.words)}"
    if change.number == LISTED_CHANGES:
        text += " (its further changes are counted only)"
    return Text(printable(text))


def _seconds(at_ns: int, zero_ns: int) -> str:
    return f"{max(at_ns - zero_ns, 0) / 1e9:.3f}"


def _record_line(chunk: RecordChunk, place: int, shown: Mapping[str, Shown]) -> Text:
    line = Text(chunk.name)
    for name, column in chunk.columns.items():
        if not column.valid[place]:
            line.append(f"  {name} -", style="dim")
            continue
        text = shown[name].with_unit(column.values[place].item())
        line.append(f"  {name} {text}", style="yellow" if column.flagged[place] else "")
    return line
