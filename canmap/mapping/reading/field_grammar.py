"""The grammar of a record's field: where its value comes from and what becomes of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.model import OutOfRange
from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.promises import frozen, railed, range_by_speed
from canmap.mapping.reading.raw_codes import code_list, conditions
from canmap.mapping.reading.sections import Key, Section, scalar
from canmap.mapping.reading.shapes import (
    any_quantity,
    as_it_is,
    list_of,
    or_none,
    signal,
    time_ns,
    unit,
    word,
    yes_no,
)
from canmap.mapping.refs import Requirement
from canmap.vocabulary.units import UNITS, Measure, parse_number

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context

Points = tuple[tuple[Measure, ...], ...]


@dataclass(frozen=True, slots=True)
class SignOf:
    """A sign that another signal gives, such as the selected gear."""

    signal: FoundSignal
    negative: tuple[int, ...]

    @property
    def negative_when(self) -> Requirement:
        """When the value is negative."""
        return Requirement(self.signal.ref, tuple((code, code) for code in self.negative))


@dataclass(frozen=True, slots=True)
class Sides:
    """A table for each side, both written in positive values."""

    left: Points
    right: Points


_SIGN_SIGNAL = Key("signal", signal, required=True)
_SIGN_NEGATIVE: Key[Node] = Key("negative", as_it_is, required=True)
SIGN_FROM = Section("a sign", (_SIGN_SIGNAL, _SIGN_NEGATIVE))


def _sign(node: Node, context: Context) -> int | SignOf | None:
    """Read 1, -1, or the signal that the sign comes from and its codes for negative."""
    if isinstance(node, Entries):
        values = SIGN_FROM(node, context)
        found = values.get(_SIGN_SIGNAL) if values else None
        negative = values.get(_SIGN_NEGATIVE) if values else None
        codes = code_list(negative, found, context) if negative and found else None
        return SignOf(found, codes) if found and codes else None
    written = scalar(node, context, "1 or -1")
    if written and written.text not in {"1", "+1", "-1"}:
        context.faults.add(written.place, f"{shown(written.text)} is not a sign: write 1 or -1.")
        return None
    return int(written.text) if written else None


def _scale(node: Node, context: Context) -> Measure | None:
    """Read a plain factor (0.5, 1/15.4) or one with a unit (40 bar/V)."""
    ratio = parse_number(node.text) if isinstance(node, Scalar) else None
    value = Measure(ratio, UNITS["1"]) if ratio is not None else any_quantity(node, context)
    if value and (value.unit.offset or not value.value):
        context.faults.add(node.place, "A scale must not be zero or a temperature.")
        return None
    return value


def _offset(node: Node, context: Context) -> Measure | None:
    """Read what is added; degrees of a temperature are differences, so they are written in K."""
    value = any_quantity(node, context)
    if value and value.unit.offset:
        context.faults.add(node.place, "An offset of a temperature is a difference: write it in K.")
        return None
    return value


_POINTS = list_of(list_of(any_quantity, "values, in and out", 2, 2), "points", 2)
_LEFT = Key("left", _POINTS, required=True)
_RIGHT = Key("right", _POINTS, required=True)
SIDES = Section("a table", (_LEFT, _RIGHT))


def _table(node: Node, context: Context) -> Points | Sides | None:
    """Read [[in, out], ...], or one such list for each side."""
    if not isinstance(node, Entries):
        return _POINTS(node, context)
    values = SIDES(node, context)
    left, right = (values.get(_LEFT), values.get(_RIGHT)) if values else (None, None)
    return Sides(left, right) if left and right else None


_ENDS = or_none(list_of(or_none(any_quantity), "ends", 2, 2))

SIGNAL = Key("signal", signal)
SUM = Key("sum", list_of(signal, "signals", 2, 16))
FIELD_UNIT = Key("unit", unit)
SIGN = Key("sign", _sign)
SCALE = Key("scale", _scale)
FIELD_OFFSET = Key("offset", _offset)
TABLE: Key[Points | Sides] = Key("table", _table)
RANGE = Key("range", _ENDS)
OUT_OF_RANGE = Key("out_of_range", word("what becomes of the value", tuple(way.value for way in OutOfRange)))
VALID_WHEN = Key("valid_when", conditions)
MAX_AGE = Key("max_age", or_none(time_ns))
NO_DATA: Key[Node] = Key("no_data", as_it_is)
FIELD_LABELS: Key[Node] = Key("labels", as_it_is)
NORMALLY_CLOSED = Key("normally_closed", yes_no)
SLEW = Key("slew", any_quantity)
RANGE_BY_SPEED = Key("range_by_speed", range_by_speed)
FROZEN = Key("frozen", frozen)
RAILED = Key("railed", railed)

ONLY_QUANTITY: tuple[Key[object], ...] = (
    *(FIELD_UNIT, SIGN, SCALE, FIELD_OFFSET, TABLE, RANGE, OUT_OF_RANGE, SLEW, RANGE_BY_SPEED, FROZEN),
    *(RAILED, SUM),
)
ONLY_CHOICE: tuple[Key[object], ...] = (FIELD_LABELS, NORMALLY_CLOSED)
FIELD = Section("a field", (SIGNAL, *ONLY_QUANTITY, VALID_WHEN, MAX_AGE, NO_DATA, *ONLY_CHOICE))
