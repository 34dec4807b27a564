"""The compact course of an episode in characters: a lane each for demands, axes, stop chain and messages.

A lane is a row of as many characters as asked for, each for the same share of the time. In every lane `=` is
as it should be, `.` is silence, a letter is something else, which the legend of the lane names.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.case_file import MS
from canmap.diagnosis.evidence import Role
from canmap.vocabulary.record_types import AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.diagnosis.case_file import CaseFile

BEFORE_NS, LEAST_NS, LONGEST_NS = 300 * MS, 1_200 * MS, 6_000 * MS
GOOD, SILENT_MARK, BAD = "=", ".", "x"
MARKS = {
    AxisState.OFF: "o",
    AxisState.STANDBY: "s",
    AxisState.READY: "r",
    AxisState.ACTIVE: "=",
    AxisState.OVERRIDDEN: "v",
    AxisState.FAULTED: "f",
}
LEGEND = (
    "= as it should be   . silent   x not in order   axis: o off, s standby, r ready, v overridden, f faulted"
)


class Lane(NamedTuple):
    """A row of the course.

    Attributes:
        name: What it shows.
        marks: A character for each share of the time.
    """

    name: str
    marks: str


class Strip(NamedTuple):
    """The course of an episode.

    Attributes:
        from_ns: Session clock at the left end.
        to_ns: At the right end.
        lanes: The rows.
    """

    from_ns: int
    to_ns: int
    lanes: tuple[Lane, ...]


def strip_of(case: CaseFile, width: int) -> Strip:
    """Return the course of an episode in `width` characters."""
    from_ns = max(case.begin_ns - BEFORE_NS, case.window.from_ns)
    span_ns = min(max(case.end_ns + BEFORE_NS - from_ns, LEAST_NS), LONGEST_NS)
    to_ns = min(from_ns + span_ns, case.window.to_ns)
    edges = np.linspace(from_ns, to_ns, width + 1)
    lanes = [*_demands(case, edges), *_axes(case, edges), *_stop(case, edges), *_silent(case, edges)]
    return Strip(from_ns, to_ns, tuple(lanes))


def _came(case: CaseFile, slot: int, edges: NDArray[np.float64]) -> list[str]:
    """Marks of a message: silent where no frame came for too long, not in order where it failed."""
    clock, rows = case.clock(slot), case.rows(slot)
    period_ns = case.period_ns(slot) or 0
    allowed_ns = max(2.5 * period_ns, edges[1] - edges[0])
    failed = clock[np.isin(rows, case.window.prepared.failed)]
    marks = []
    for left, right in pairwise(edges):
        newest = clock[: clock.searchsorted(right)]
        silent = not len(newest) or right - newest[-1] > allowed_ns
        bad = ((failed >= left) & (failed < right)).any()
        marks.append(BAD if bad else SILENT_MARK if silent else GOOD)
    return marks


def _demands(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    for demand in case.spec.manual.demands:
        for slot, rule in enumerate(case.rules):
            if (rule.bus, rule.message.name) == (demand.message.bus, demand.message.message):
                yield Lane(rule.message.name, "".join(_came(case, slot, edges)))


def _axes(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    for record in case.spec.records:
        for field in record.fields:
            if field.type.kind is AxisState:
                names = {int(state): mark for state, mark in MARKS.items()}
                marks = _held(case, record.name, field.type.name, edges, names)
                yield Lane(f"axis {record.name}", marks)


def _stop(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    for record in case.spec.records:
        if issubclass(record.type, Stop):
            for field in record.fields:
                marks = _held(case, record.name, field.type.name, edges, {0: GOOD, 1: BAD})
                yield Lane(
                    f"{record.name}.{field.type.name}" if len(record.fields) > 1 else record.name, marks
                )


def _held(case: CaseFile, record: str, name: str, edges: NDArray[np.float64], marks: dict[int, str]) -> str:
    """Marks of a field by its newest valid value, silent where its message is."""
    chunk = case.window.records.get(record)
    if chunk is None:
        return SILENT_MARK * (len(edges) - 1)
    column = chunk.columns[name]
    clock, values = chunk.clock_ns[column.valid], column.values[column.valid]
    rule = next(rule for rule in case.spec.records if rule.name == record)
    slot = next(i for i, r in enumerate(case.rules) if (r.bus, r.message.name) == (rule.bus, rule.stamp))
    came = _came(case, slot, edges) if case.period_ns(slot) else [GOOD] * (len(edges) - 1)
    told = []
    for right, mark in zip(edges[1:], came, strict=True):
        place = int(clock.searchsorted(right)) - 1
        told.append(SILENT_MARK if mark == SILENT_MARK or place < 0 else marks.get(int(values[place]), "?"))
    return "".join(told)


def _silent(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    """Messages that fell silent and are in no lane yet."""
    shown = {demand.message.message for demand in case.spec.manual.demands}
    shown |= {rule.stamp for rule in case.spec.records if any(f.type.kind is AxisState for f in rule.fields)}
    silent: Sequence[int] = [gap.slot for gap in case.gaps if case.roles[gap.slot] is not Role.COPY]
    for slot in silent[:6]:
        name = case.rules[slot].message.name
        if name not in shown:
            yield Lane(name, "".join(_came(case, slot, edges)))
