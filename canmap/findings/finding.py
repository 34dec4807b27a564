"""What a check reports: one finding for a fault that lasts, with its kind, its place and its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import inf


class Severity(StrEnum):
    """How much a finding matters: an error fails the inspection."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


class Kind(StrEnum):
    """What is wrong."""

    MISSING = "missing"
    STALE = "stale"
    NOT_COVERED = "not_covered"
    RATE = "rate"
    NOT_A_NUMBER = "not_a_number"
    OUT_OF_RANGE = "out_of_range"
    NOT_AVAILABLE = "not_available"
    UNDEFINED_VALUE = "undefined_value"
    LENGTH = "length"
    UNKNOWN_ID = "unknown_id"
    TIME_ORDER = "time_order"
    BAD_LINE = "bad_line"
    TRUNCATED = "truncated"
    DUPLICATE = "duplicate"
    BUS_ERROR = "bus_error"
    TWO_SENDERS = "two_senders"
    SPEC = "spec"


SEVERITY = {
    Kind.MISSING: Severity.ERROR,  # a warning where it only came late
    Kind.STALE: Severity.ERROR,  # a warning for a demand judged by half its watchdog
    Kind.NOT_COVERED: Severity.WARNING,  # of the recorder, as a cut; a note at the ends
    Kind.RATE: Severity.WARNING,
    Kind.NOT_A_NUMBER: Severity.ERROR,
    Kind.OUT_OF_RANGE: Severity.ERROR,
    # The sender says openly that it has no value: no fault of the bus or the mapping, but a field that a
    # record needs is empty, which a note would hide.
    Kind.NOT_AVAILABLE: Severity.WARNING,
    Kind.UNDEFINED_VALUE: Severity.ERROR,  # description, mapping and firmware do not fit together
    Kind.LENGTH: Severity.ERROR,
    Kind.UNKNOWN_ID: Severity.NOTE,
    Kind.TIME_ORDER: Severity.WARNING,
    Kind.BAD_LINE: Severity.WARNING,
    Kind.TRUNCATED: Severity.WARNING,  # what is there is good; what is not cannot be blamed on the vehicle
    Kind.DUPLICATE: Severity.WARNING,  # of the recorder; what the messages say is not touched by it
    Kind.BUS_ERROR: Severity.WARNING,  # an error where the bus was off, a note for what is no fault
    Kind.TWO_SENDERS: Severity.WARNING,
    Kind.SPEC: Severity.NOTE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What a finding is about; what does not apply is None."""

    bus: str | None = None
    message: str | None = None
    signal: str | None = None
    record: str | None = None
    field: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault, from its first to its last moment.

    Attributes:
        kind: What is wrong.
        severity: How much it matters.
        place: Where.
        start_ns: Session clock at the last good frame or the first bad sample.
        end_ns: Session clock at the first good one again, or where the capture stops covering it.
        open: Still going at the end.
        count: Faulty gaps, windows, samples, frames or lines in it.
        value: Worst value, in the record's unit (a signal's own unit where no record maps it; s for times).
        limit: What it should have kept to, in the same unit.
        text: One plain sentence.
        line: Line of the capture where it starts, where one line can be named.
        key: For a note of the spec, the key that is accepted but not judged yet.
    """

    kind: Kind
    severity: Severity
    place: Place
    start_ns: int
    end_ns: int
    open: bool = False
    count: int = 1
    value: float | None = None
    limit: float | None = None
    text: str = ""
    line: int | None = None
    key: str | None = None

    @property
    def order(self) -> tuple[int, int, str, str, float, str]:
        """Sort key: by start, then by kind, place and line, so that any cutting gives one order."""
        place, line = self.place, inf if self.line is None else self.line
        return (self.start_ns, KIND_ORDER[self.kind], place.bus or "", place.message or "", line, self.text)


KIND_ORDER = {kind: position for position, kind in enumerate(Kind)}
