"""One field of a record: from what the spec says to a `FieldRule` with exact factors.

Order of operations: raw -> labels or no data -> scale and offset of the description -> sum -> unit to SI
-> sign -> scale, offset, table of the spec. Choices are in `choices`.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.choices import choice_codes
from canmap.mapping.manual import SpeedRange
from canmap.mapping.model import FieldRule, Limits, OutOfRange
from canmap.mapping.reading import field_grammar as g
from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.promises import PAGE, SPEED, SPEED_POINTS
from canmap.mapping.reading.raw_codes import no_data_codes
from canmap.mapping.reading.shapes import NONE, fits
from canmap.vocabulary.units import UNITS, Measure, Unit, find_unit, per_second

if TYPE_CHECKING:
    from canmap.mapping.description.description import NoData
    from canmap.mapping.manual import RailedRule
    from canmap.mapping.message_rules import HoldTimes
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, Key, SectionValues
    from canmap.vocabulary.record_types import FieldType
    from canmap.vocabulary.units import Dimension


@dataclass(frozen=True, slots=True)
class _Line:
    """A straight line: value in SI = factor * physical value + offset, of some dimension."""

    factor: Fraction
    offset: Fraction
    dimension: Dimension
    unit: str
    written: str  # of the signal only


def field_rule(field: FieldType, node: Node, holds: HoldTimes, context: Context) -> FieldRule | None:
    """Build the rule of a field.

    Args:
        field: What the record wants.
        node: What the spec says: a signal's name, or a mapping.
        holds: How long the values of signals hold.
        context: Takes faults and notes.

    Returns:
        The rule; None after a fault, and where the field cannot be made yet (a note says so).
    """
    if isinstance(node, Scalar) and node.text:
        node = Entries(node.place, {g.SIGNAL.name: (node, node)})
    before = len(context.faults)
    values = g.FIELD(node, context)
    sources = _sources(values, context) if values else ()
    if values and not sources and field.kind is float:  # what else is wrong
        _limits(values, _dimension(field), field, context)
        _dynamics(values, _dimension(field), context)
    if values is None or not sources:
        return None
    first = sources[0]
    rule = FieldRule(
        type=field,
        sources=tuple(source.ref for source in sources),
        factor=Fraction(1),
        offset=Fraction(0),
        table=None,
        codes=None,
        no_data=_no_data(values, sources, context),
        limits=None,
        out_of_range=OutOfRange(values.get(g.OUT_OF_RANGE) or OutOfRange.KEEP),
        valid_when=values.get(g.VALID_WHEN) or (),
        max_age_ns=_max_age(values, holds.of(first)),
        unit="",
        line=values.place.line,
    )
    if field.kind is float:
        _refuse(values, g.ONLY_CHOICE, f"{field.name} is a quantity", context)
        full = _quantity(rule, values, sources, context)
    else:
        _refuse(values, g.ONLY_QUANTITY, f"{field.name} is a choice", context)
        if len(context.faults) > before:  # a faulty `no_data` leaves labels over that mean nothing here
            return None
        codes = choice_codes(field, values, first, rule.no_data[0], context)
        labels = first.signal.labels if field.kind is int and codes is None else {}
        full = replace(rule, codes=codes, labels=labels)
    return full if len(context.faults) == before else None


def _refuse(values: SectionValues, keys: tuple[Key[object], ...], what: str, context: Context) -> None:
    for key in keys:
        if values.has(key):
            context.faults.add(values.nodes[key.name][0].place, f"`{key.name}` has no meaning here: {what}.")


def _sources(values: SectionValues, context: Context) -> tuple[FoundSignal, ...]:
    """Return the signal or the summed signals, all of one message and unit."""
    if values.has(g.SIGNAL) == values.has(g.SUM):
        if not values.lost or values.has(g.SIGNAL):
            text = "A field needs one of the keys `signal` and `sum`."
            context.faults.add(values.place, text)
        return ()
    single, summed = values.get(g.SIGNAL), values.get(g.SUM)
    if single:
        return (single,)
    if not summed:
        return ()
    first, *others = summed
    for index, other in enumerate(others, 1):
        place = values.place_of(g.SUM, index)
        if (other.bus, other.message.name) != (first.bus, first.message.name):
            text = f"The signals of a sum must be in one message: {first.text} and {other.text} are not."
            context.faults.add(place, text)
        elif _frames_of(other) != _frames_of(first):
            text = f"The signals of a sum must be in the same frames: {first.text} and {other.text} are not."
            context.faults.add(place, text)
        elif not _same_unit(first.signal.unit, other.signal.unit):
            units = f"{shown(first.signal.unit)} and {shown(other.signal.unit)}"
            context.faults.add(
                place, f"The signals of a sum must have one unit: {first.text} and {other.text} have {units}."
            )
        if other.ref in {source.ref for source in summed[:index]}:
            context.faults.add(place, "A sum must name each signal once.")
    return summed


def _frames_of(source: FoundSignal) -> tuple[str | None, tuple[tuple[int, int], ...]]:
    """In which frames of its message a signal is present."""
    return source.signal.selector, source.signal.selected_by


def _same_unit(one: str, other: str) -> bool:
    first, second = find_unit(one), find_unit(other)
    return one == other or (first is not None and second is not None and first.same_as(second))


def _no_data(
    values: SectionValues, sources: tuple[FoundSignal, ...], context: Context
) -> tuple[tuple[NoData, ...], ...]:
    """Return the codes of each source that are no value: the spec's, else those that its bus gives it."""
    node = values.get(g.NO_DATA)
    if node is None:
        return tuple(source.signal.no_data for source in sources)
    if isinstance(node, Scalar) and node.text == NONE:
        return ((),) * len(sources)
    return tuple(no_data_codes(node, source, context) or () for source in sources)


def _max_age(values: SectionValues, default: int | None) -> int | None:
    age = values.get(g.MAX_AGE)
    return None if age == NONE else age if isinstance(age, int) else default


def _quantity(
    rule: FieldRule, values: SectionValues, sources: tuple[FoundSignal, ...], context: Context
) -> FieldRule | None:
    unit = _unit(values, sources[0], context)
    wanted = _dimension(rule.type)
    line = _line(unit, values, context) if unit else None
    table = values.get(g.TABLE)
    if line is not None and not values.has(g.TABLE) and line.dimension != wanted:
        unit_name = rule.type.unit if any(wanted) else "a plain number or a share in %"
        text = f"{shown(line.unit)} does not convert to {unit_name}, the unit of {rule.type.name}."
        context.faults.add(values.place_of(g.FIELD_UNIT if values.has(g.FIELD_UNIT) else g.SIGNAL), text)
    limits = _limits(values, wanted, rule.type, context)
    slew, by_speed = _dynamics(values, wanted, context)
    if line is None:
        return None
    sign = values.get(g.SIGN)
    return replace(
        rule,
        unit=line.written,
        factor=line.factor,
        offset=line.offset,
        table=_points(table, line.dimension, wanted, values, context) if table else None,
        limits=limits,
        slew=slew,
        range_by_speed=by_speed,
        frozen=values.get(g.FROZEN),
        railed=_railed(values, sources, context),
        shown_in=_manual_unit(rule.type, values, unit),
        negative_when=sign.negative_when if isinstance(sign, g.SignOf) else None,
    )


def _manual_unit(field: FieldType, values: SectionValues, unit: Unit | None) -> str:
    """Return the unit in which the manual states the finished value: its range, table, signal or scale."""
    ends, table, scale = values.get(g.RANGE), values.get(g.TABLE), values.get(g.SCALE)
    stated = [] if ends is None or isinstance(ends, str) else [e.unit for e in ends if isinstance(e, Measure)]
    if table:
        stated += [out.unit for _, out in (table.left if isinstance(table, g.Sides) else table)]
    stated += [unit] if unit else []
    above = find_unit(scale.unit.name.partition("/")[0]) if scale else None
    stated += [above] if above else []  # of 40 bar/V
    wanted = _dimension(field)
    return next((one.name for one in stated if one.dimension == wanted), field.unit)


def _dimension(field: FieldType) -> Dimension:
    unit = find_unit(field.unit)
    return unit.dimension if unit else UNITS["1"].dimension


def _unit(values: SectionValues, source: FoundSignal, context: Context) -> Unit | None:
    """Return the unit of the signal: the spec's, else the description's; they must not contradict."""
    described = find_unit(source.signal.unit)
    if not values.has(g.FIELD_UNIT):
        if described is None and not values.lost and "correct" not in context.lost:
            stated = (
                f"the unit {shown(source.signal.unit)}, which is not known"
                if source.signal.unit
                else "no unit"
            )
            place = values.place_of(g.SUM if values.has(g.SUM) else g.SIGNAL)
            context.faults.add(place, f"The description gives {source.text} {stated}: write `unit:` here.")
        return described
    written = values.get(g.FIELD_UNIT)
    if written and described and not written.same_as(described):
        units = f"{shown(source.signal.unit)}, not in {shown(written.name)}"
        text = f"The description says {source.text} is in {units}:"
        context.faults.add(
            values.place_of(g.FIELD_UNIT),
            f"{text} leave `unit` out, or correct the description under `correct`.",
        )
    return written


def _line(unit: Unit, values: SectionValues, context: Context) -> _Line | None:
    """Return unit, sign, scale and offset as one line; None where the scale is faulty."""
    sign, scale, offset = values.get(g.SIGN), values.get(g.SCALE), values.get(g.FIELD_OFFSET)
    if scale is None and (values.has(g.SCALE) or values.lost):
        return None
    factor = Fraction(sign if isinstance(sign, int) else 1)
    dimension, name = unit.dimension, unit.name
    if scale is not None:
        factor *= scale.si
        if any(scale.unit.dimension):
            dimension = tuple(a + b for a, b in zip(dimension, scale.unit.dimension, strict=True))
            name = f"{unit.name} times {scale.unit.name}"
    added = Fraction(0)
    if offset is not None and fits(offset, dimension, values.place_of(g.FIELD_OFFSET), context):
        added = offset.si
    return _Line(unit.factor * factor, unit.offset * factor + added, dimension, name, unit.name)


def _points(
    table: g.Points | g.Sides, before: Dimension, after: Dimension, values: SectionValues, context: Context
) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return the breakpoints in SI, ascending; the right side mirrored below zero."""
    place = values.place_of(g.TABLE)
    sides = {("left",): table.left, ("right",): table.right} if isinstance(table, g.Sides) else {(): table}
    fitting = [
        fits(end, wanted, values.place_of(g.TABLE, *side, row, column), context)
        for side, points in sides.items()
        for row, point in enumerate(points)
        for column, (end, wanted) in enumerate(zip(point, (before, after), strict=True))
    ]
    if not all(fitting):
        return ()
    if isinstance(table, g.Sides):
        left, right = ([(a.si, b.si) for a, b in side] for side in (table.left, table.right))
        if any(any(side[0]) for side in (left, right)):
            context.faults.add(place, "The tables of both sides must start with [0, 0].")
        points = [(-a, -b) for a, b in reversed(right[1:])] + left
    else:
        points = [(a.si, b.si) for a, b in table]
    if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        context.faults.add(place, "The first values of a table must ascend.")
    return tuple(points)


def _limits(values: SectionValues, wanted: Dimension, field: FieldType, context: Context) -> Limits | None:
    """Return the written range; None where the description's holds."""
    ends = values.get(g.RANGE)
    if ends is None:
        return None
    if isinstance(ends, str):
        return Limits(None, None, field.unit, Fraction(1), Fraction(0))
    place = values.place_of(g.RANGE)
    written = [end for end in ends if isinstance(end, Measure)]
    if not written:
        context.faults.add(place, "A range without limits is written `range: none`.")
    fitting = [
        fits(end, wanted, values.place_of(g.RANGE, index), context)
        for index, end in enumerate(ends)
        if isinstance(end, Measure)
    ]
    if not fitting or not all(fitting):
        return None
    unit = written[0].unit
    low, high = (end.si if isinstance(end, Measure) else None for end in ends)
    if not all(end.unit.same_as(unit) for end in written):
        context.faults.add(place, "Both limits of a range must have the same unit.")
    elif low is not None and high is not None and low >= high:
        context.faults.add(place, "The low limit of a range comes first, and must be below the high limit.")
    return Limits(low, high, unit.name, unit.factor, unit.offset)


def _dynamics(
    values: SectionValues, wanted: Dimension, context: Context
) -> tuple[Fraction | None, SpeedRange | None]:
    """Return the fastest change in SI per second, and the limits by speed in SI."""
    slew, by_speed = values.get(g.SLEW), values.get(g.RANGE_BY_SPEED)
    if slew is not None:
        place = values.place_of(g.SLEW)
        if fits(slew, per_second(wanted), place, context) and slew.si <= 0:
            context.faults.add(place, "The value must be greater than zero.")
    speed, points = (by_speed.get(SPEED), by_speed.get(SPEED_POINTS)) if by_speed else (None, None)
    for row, point in enumerate(points or ()):
        if by_speed:
            fits(point[1], wanted, by_speed.place_of(SPEED_POINTS, row, 1), context)
    in_si = tuple((at.si, limit.si) for at, limit in points or ())
    if by_speed is None or not speed or not points:
        return slew.si if slew else None, None
    speed_range = SpeedRange(speed=(speed[0], speed[1].name), points=in_si, page=by_speed.get(PAGE) or "")
    return slew.si if slew else None, speed_range


def _railed(values: SectionValues, sources: tuple[FoundSignal, ...], context: Context) -> RailedRule | None:
    """Return when the signal of a field is railed; a sum and a floating-point number have no such ends."""
    what = "a sum" if len(sources) > 1 else "a floating-point number"
    if values.has(g.RAILED) and (len(sources) > 1 or sources[0].signal.is_float):
        place = values.nodes[g.RAILED.name][0].place
        context.faults.add(place, f"`railed` has no meaning here: {what} has no ends.")
    return values.get(g.RAILED)
