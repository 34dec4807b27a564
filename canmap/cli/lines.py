"""A running engine as lines: records at a readable rate, findings as they open and close."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from canmap.checks.episodes import Closed
from canmap.checks.finding import Severity
from canmap.checks.words import number, times
from canmap.cli.options import LONGEST_S
from canmap.cli.render import STYLES, console
from canmap.errors import UsageError
from canmap.vocabulary import field_types

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.checks.episodes import Event
    from canmap.clock import Pace
    from canmap.engine import Engine, Step
    from canmap.inspection import Inspection
    from canmap.records.columns import RecordChunk
    from canmap.spec.model import Spec


class LinePrinter:
    """Prints what every step brings.

    Args:
        spec: The spec, for the names of its records.
        wanted: Records to print; None for all, "none" for none.
        every_s: Session time between two lines of one record.
        silent: Print nothing at all.

    Raises:
        UsageError: `wanted` names a record that the spec does not make, or `every_s` is negative.
    """

    def __init__(self, spec: Spec, wanted: Sequence[str] | None, every_s: float, *, silent: bool) -> None:
        known = [rule.name for rule in spec.records]
        names = known if wanted is None else [name for name in wanted if name != "none"]
        for name in names:
            if name not in known:
                raise UsageError(f"{spec.path} makes no record {name}; it makes {', '.join(known)}.")
        if not 0 <= every_s <= LONGEST_S:
            raise UsageError(f"--every {every_s:g} is no time; give seconds, 0 for every record.")
        self._names = frozenset(names)
        self._every_ns = round(every_s * 1e9)
        self._next_ns: dict[str, int] = {}
        self._shown_ns = 0  # session clock of the newest line
        self._silent = silent
        self._out = console()

    def step(self, engine: Engine, step: Step) -> None:
        """Print the lines of one step, in the order of their time.

        What turns out to have begun before a line that is shown already takes that line's time, and says
        since when it is.
        """
        if self._silent:
            return
        start_ns = engine.session.zero_ns
        lines: list[tuple[int, Text]] = []
        for chunk in step.records:
            if chunk.name in self._names:
                lines += self._record_lines(chunk)
        lines += [self._event_line(event, start_ns) for event in step.events]
        for at_ns, line in sorted(lines, key=lambda pair: pair[0]):
            since = f" (since {(at_ns - start_ns) / 1e9:.3f} s)" if at_ns < self._shown_ns else ""
            self._shown_ns = max(self._shown_ns, at_ns)
            head = Text(f"{(self._shown_ns - start_ns) / 1e9:10.3f} s  ")
            self._out.print(head + line + Text(since), soft_wrap=True)

    def finish(self, result: Inspection, pace: Pace | None) -> None:
        """Print the verdict, and how well the pace was kept."""
        if self._silent:
            return
        counts = [
            times(sum(f.severity is severity for f in result.findings), severity.value)
            for severity in Severity
        ]
        self._out.print(f"{result.verdict.upper()}: {', '.join(counts)}")
        if pace is not None:
            self._out.print(f"No frame came more than {pace.worst_late_s * 1e3:.0f} ms late.", style="dim")

    def _record_lines(self, chunk: RecordChunk) -> list[tuple[int, Text]]:
        lines = []
        clock = chunk.clock_ns
        place = int(np.searchsorted(clock, self._next_ns.get(chunk.name, clock[0])))
        while place < len(clock):
            now_ns = int(clock[place])
            lines.append((now_ns, _record_line(chunk, place)))
            self._next_ns[chunk.name] = now_ns + max(self._every_ns, 1)
            place = max(place + 1, int(np.searchsorted(clock, self._next_ns[chunk.name])))
        return lines

    @staticmethod
    def _event_line(event: Event, start_ns: int) -> tuple[int, Text]:
        finding = event.finding
        is_closed = isinstance(event, Closed)
        at_ns = finding.end_ns if is_closed else finding.start_ns
        word = "over" if is_closed else "begins"
        line = Text(f"{word:6} {finding.severity.value} {finding.kind.value}", style=STYLES[finding.severity])
        return max(at_ns, start_ns), Text.assemble(line, f"  {finding.text}")


def _record_line(chunk: RecordChunk, place: int) -> Text:
    types = field_types(chunk.type)
    line = Text(chunk.name)
    for name, column in chunk.columns.items():
        kind = types[name]
        if not column.valid[place]:
            line.append(f"  {name} -", style="dim")
            continue
        value = column.values[place].item()
        text = number(value) if kind.kind is float else _choice(kind.kind, value)
        unit = f" {kind.unit}" if kind.unit not in ("", "1") else ""
        line.append(f"  {name} {text}{unit}", style="yellow" if column.flagged[place] else "")
    return line


def _choice(kind: type, value: int) -> str:
    if kind is bool:
        return "yes" if value else "no"
    name = getattr(kind(value), "name", None)
    return str(value) if name is None else name.lower()
