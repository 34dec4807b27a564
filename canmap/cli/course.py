"""The course of a session: what changed and when, on a few lines of the screen of `canmap inspect`."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from rich.text import Text

from canmap.base.dataclass import dataclass
from canmap.base.errors import printable
from canmap.base.words import number, times
from canmap.cli.hanging import print_hanging
from canmap.records.change import told_once
from canmap.summaries.changes import LISTED_CHANGES
from canmap.vocabulary.record_types import Control, Gear, Stop, field_types

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from canmap.records.change import Change
    from canmap.results.inspection import Inspection

HEADING = "Course of the session, in seconds from the start"
SHOWN_LINES = 12
TOGETHER_NS = 100_000_000  # what changes alike and so close is told in one line
NAMED = 4  # fields that one line names
STOP = 0  # rank of the e-stop chain, of which a line has one time: a button is pressed before the loop opens
FEW = 6  # so many changes of each field go before the later ones of any, so that one that flickers hides none


def show_course(result: Inspection, out: Console) -> None:
    """Print the course of a session; on a terminal what has no room in a line goes on below its words."""
    lines = _course(result)
    if lines:
        out.print()
        out.print(Text(HEADING, style="bold"), soft_wrap=not out.is_terminal)
    for head, words in lines:
        print_hanging(out, head, Text(printable(words)))


def _course(result: Inspection) -> list[tuple[str, str]]:
    """What changed in a session, a line each: its time and its words, and last how much more did.

    Empty where nothing could change. Of what is too much to show, the e-stop goes first, then the mode, then
    the states of axes and others, then gears, yes or no, and codes. The lines are by time, those of one time
    in that order.
    """
    if not result.change_counts:
        return []
    changes = told_once(result.changes)
    if not changes:
        return [("  ", "no state changed")]
    ranked = [(_rank(result, change), change) for change in changes]
    lines = _gathered(sorted(ranked, key=lambda pair: (pair[1].clock_ns, pair[0])))
    first = sorted(
        lines, key=lambda line: (line.changes[0].number > FEW, line.rank, line.changes[0].clock_ns)
    )
    most = SHOWN_LINES if len(lines) > SHOWN_LINES + 1 else len(lines)  # "1 more" takes a line itself
    shown = {id(line) for line in first[:most]}
    texts = [line.text(result) for line in lines if id(line) in shown]
    unlisted = sum(result.change_counts.values()) - len(result.changes)
    more = unlisted + sum(len(line.changes) for line in first[most:])
    if more:
        which = f"the first {LISTED_CHANGES} of each field" if unlisted else "it" if more == 1 else "them"
        texts.append(("  ", f"and {times(more, 'more change')}; --json has {which}"))
    return texts


@dataclass(frozen=True, slots=True)
class _Line:
    """Changes of different fields that came together, between the same values that held as long, by time."""

    rank: int
    changes: list[Change]

    def takes(self, change: Change) -> bool:
        """Tell whether a change between the same values is told with these."""
        first, reach_ns = self.changes[0], 0 if self.rank == STOP else TOGETHER_NS
        is_there = change.name in {one.name for one in self.changes}
        if is_there or change.clock_ns - first.clock_ns > reach_ns:
            return False
        if change.until_ns is None or first.until_ns is None:
            return change.until_ns is first.until_ns
        return abs(change.until_ns - first.until_ns) <= TOGETHER_NS

    def text(self, result: Inspection) -> tuple[str, str]:
        """Return the time of the first change, and the words, with how long its value held until the next."""
        first = self.changes[0]
        names = ", ".join(change.name for change in self.changes[:NAMED])
        if len(self.changes) > NAMED:
            names += f" and {len(self.changes) - NAMED} more"
        before, after = first.words
        held = "" if first.held_ns is None else f", for {number(round(first.held_ns / 1e9, 3))} s"
        return f"{result.seconds(first.clock_ns):>10.3f}  ", f"{names}: {before} to {after}{held}"


def _gathered(ranked: Sequence[tuple[int, Change]]) -> list[_Line]:
    """The lines of changes that are by time."""
    lines: list[_Line] = []
    newest: dict[tuple[int, str, str], _Line] = {}
    for rank, change in ranked:
        alike = (rank, *change.words)
        line = newest.get(alike)
        if line is None or not line.takes(change):
            newest[alike] = line = _Line(rank, [])
            lines.append(line)
        line.changes.append(change)
    return lines


def _rank(result: Inspection, change: Change) -> int:
    """STOP for the e-stop, 1 for the mode, 2 for the state of an axis or another one, 3 for the rest."""
    record_type = result.record_types[change.record]
    kind = field_types(record_type)[change.field].kind
    if issubclass(record_type, Stop):
        return STOP
    if not issubclass(kind, IntEnum) or kind is Gear:
        return 3
    return 1 if issubclass(record_type, Control) else 2
