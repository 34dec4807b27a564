"""The compact course of an episode in characters, a lane each for demands, axes, stops, supplies, messages.

A lane is a row of as many characters as asked for, each for the same share of the time. In every lane `=` is
as it should be, `.` is silence, a letter is something else, which the legend names.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.atoms_of_values import DIP, usual_voltage
from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Role
from canmap.frames.chunks import FrameKind
from canmap.vocabulary.record_types import DEMAND_TYPES, AxisState, Stop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

AROUND_EPISODE_NS, LEAST_SPAN_NS, LONGEST_SPAN_NS = 300 * MS, 1_200 * MS, 6_000 * MS
GOOD, SILENT_MARK, BAD, TAKEN_BACK, NOT_KNOWN = "=", ".", "x", "t", "?"
MOST_MESSAGES = 6
MARKS = {
    AxisState.OFF: "o",
    AxisState.STANDBY: "s",
    AxisState.READY: "r",
    AxisState.ACTIVE: GOOD,
    AxisState.OVERRIDDEN: "v",
    AxisState.FAULTED: "f",
}
MEANINGS = {
    GOOD: "as it should be",
    SILENT_MARK: "silent",
    BAD: "not in order",
    TAKEN_BACK: "taken back",
    **{mark: state.name.lower() for state, mark in MARKS.items() if mark != GOOD},
    NOT_KNOWN: "not known",
}


class Lane(NamedTuple):
    """A row of the course.

    Attributes:
        name: What it shows.
        marks: A character for each share of the time.
    """

    name: str
    marks: str

    @property
    def is_quiet(self) -> bool:
        """Whether all of it is as it should be."""
        return not set(self.marks) - {GOOD}

    @property
    def is_constant(self) -> bool:
        """Whether all of it is alike."""
        return len(set(self.marks)) == 1


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
    from_ns = max(case.begin_ns - AROUND_EPISODE_NS, case.window.from_ns, case.result.capture.start_ns)
    span_ns = min(max(case.end_ns + AROUND_EPISODE_NS - from_ns, LEAST_SPAN_NS), LONGEST_SPAN_NS)
    to_ns = min(from_ns + span_ns, case.window.to_ns)
    edges = np.linspace(from_ns, to_ns, width + 1)
    lanes = [
        lane for part in (_demands, _axes, _stop, _supply, _errors, _silent) for lane in part(case, edges)
    ]
    return Strip(from_ns, to_ns, tuple(lanes))


def _came(case: CaseFile, slot: int, edges: NDArray[np.float64]) -> list[str]:
    """Marks of a message: silent where no frame came for too long, not in order where one was wrong."""
    clock, rows = case.clock(slot), case.rows(slot)
    period_ns = case.period_ns(slot) or 0
    allowed_ns = max(2.5 * period_ns, edges[1] - edges[0])
    failed = clock[np.isin(rows, case.window.prepared.failed)]
    rule = case.rules[slot]
    wrong = case.wrong_spans.get((rule.bus, rule.message.name), ())
    marks = []
    for left, right in pairwise(edges):
        newest = clock[: clock.searchsorted(right)]
        silent = not len(newest) or right - newest[-1] > allowed_ns
        bad = ((failed >= left) & (failed < right)).any()
        bad = bad or any(start_ns < right and end_ns >= left for start_ns, end_ns in wrong)
        marks.append(SILENT_MARK if silent else BAD if bad else GOOD)
    return marks


def _demands(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    for demand in case.spec.manual.demands:
        for slot, rule in enumerate(case.rules):
            if (rule.bus, rule.message.name) == (demand.message.bus, demand.message.message):
                marks = _came(case, slot, edges)
                asked = _asked(case, rule.bus, rule.message.name, edges)
                pairs = zip(marks, asked, strict=True)
                told = [TAKEN_BACK if came == GOOD and asks == TAKEN_BACK else came for came, asks in pairs]
                yield Lane(rule.message.name, "".join(told))


def _asked(case: CaseFile, bus: str, message: str, edges: NDArray[np.float64]) -> str:
    """Marks of the enable bit of a demand: taken back from where it went off on."""
    for record in case.spec.records:
        stamped = (record.bus, record.stamp) == (bus, message) and issubclass(record.type, DEMAND_TYPES)
        if stamped and any(field.type.name == "enable" for field in record.fields):
            marks = _held(case, record.name, "enable", edges, {0: TAKEN_BACK, 1: GOOD})
            return marks if marks.startswith(GOOD) else GOOD * len(marks)  # else it was not asking before
    return GOOD * (len(edges) - 1)


def _supply(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    """Voltages: not in order where one is well below what it was before."""
    for number, column in enumerate(case.plan.columns):
        usual = usual_voltage(case, number) if column.signal.unit == "V" else None
        if usual is None:
            continue
        clock, volts = case.samples(number)
        low = volts < DIP * usual
        newest = [int(clock.searchsorted(right)) - 1 for right in edges[1:]]
        marks = "".join(BAD if place >= 0 and low[place] else GOOD for place in newest)
        if BAD in marks or SILENT_MARK not in _came(case, column.slot, edges):
            yield Lane(f"{case.rules[column.slot].message.name}.{column.signal.name}", marks)


def _errors(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    """Error frames: a lane for each bus that has some."""
    chunk = case.window.prepared.chunk
    errors = chunk.kind == FrameKind.ERROR
    for name, bus in case.spec.buses.items():
        if bus.channel in chunk.channels:
            own = chunk.t_ns[errors & (chunk.channel == chunk.channels.index(bus.channel))]
            counts, _ = np.histogram(own, edges)
            if counts.any():
                yield Lane(f"errors on {name}", "".join(BAD if count else GOOD for count in counts))


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
                several = len(record.fields) > 1
                yield Lane(f"{record.name}.{field.type.name}" if several else record.name, marks)


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
        told.append(
            SILENT_MARK if mark == SILENT_MARK or place < 0 else marks.get(int(values[place]), NOT_KNOWN)
        )
    return "".join(told)


def _silent(case: CaseFile, edges: NDArray[np.float64]) -> Iterator[Lane]:
    """Messages that fell silent, or whose values were wrong, and are in no lane yet."""
    demands = {demand.message.message for demand in case.spec.manual.demands}
    drawn = {
        rule.stamp
        for rule in case.spec.records
        if issubclass(rule.type, Stop) or any(field.type.kind is AxisState for field in rule.fields)
    }
    silent = [gap.slot for gap in case.gaps if case.roles[gap.slot] is not Role.COPY]
    wrong = [i for i, rule in enumerate(case.rules) if (rule.bus, rule.message.name) in case.wrong_spans]
    names = {case.rules[slot].message.name: slot for slot in (*silent, *wrong)}
    for name, slot in list(names.items())[:MOST_MESSAGES]:
        if name not in demands and (slot in wrong or name not in drawn):
            yield Lane(name, "".join(_came(case, slot, edges)))
