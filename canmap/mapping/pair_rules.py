"""The redundant pairs of a spec: two signals, or two fields of records, that tell the same."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from canmap.mapping.manual import RedundantPair, Slope
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import (
    any_quantity,
    difference,
    fits,
    list_of,
    named,
    number,
    quantity,
    record_field,
    signal,
    text,
    time_ns,
    word,
)
from canmap.vocabulary.units import UNITS, find_unit

if TYPE_CHECKING:
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.vocabulary.record_types import FieldType

SIGNALS = Key("signals", list_of(signal, "signals", 2, 2))
FIELDS = Key("fields", list_of(record_field, "fields", 2, 2))
SLOPE = Key("slope", word("how the second follows the first", tuple(slope.value for slope in Slope)))
SUM = Key("sum", number)
OFFSET = Key("offset", any_quantity)
TOLERANCE = Key("tolerance", difference)
WITHIN = Key("within", time_ns)
PAGE = Key("page", text)
_LONGEST_LAG_S = 60


def _lag(node: Node, context: Context) -> int | None:
    """Read by how much later the second tells the same, in nanoseconds; negative: earlier."""
    value = quantity("s")(node, context)
    if value is None:
        return None
    if abs(value.si) > _LONGEST_LAG_S:
        context.faults.add(node.place, "The lag is longer than a minute.")
        return None
    return round(value.si * 10**9)


LAG = Key("lag", _lag)
REDUNDANT_PAIR = Section(
    "a redundant pair", (SIGNALS, FIELDS, SLOPE, SUM, OFFSET, TOLERANCE, WITHIN, LAG, PAGE)
)


def pair_rules(node: Node | None, context: Context) -> tuple[RedundantPair, ...]:
    """Return the pairs of a spec, of the section `redundant`; None for none."""
    if node is None:
        return ()
    return tuple(entry.value for entry in named("the list of redundant pairs", _pair)(node, context) or ())


def _pair(node: Node, context: Context) -> RedundantPair | None:
    values = REDUNDANT_PAIR(node, context)
    if values is None:
        return None
    if values.has(SIGNALS) == values.has(FIELDS):
        if not values.lost or values.has(SIGNALS):
            context.faults.add(values.place, "A redundant pair needs one of the keys `signals` and `fields`.")
        return None
    before = len(context.faults)
    signals, fields = values.get(SIGNALS), values.get(FIELDS)
    slope = Slope(values.get(SLOPE) or Slope.SAME)
    total = values.get(SUM)
    if signals:
        tolerance = _of_signals(signals, values, context)
        if total is None and slope in {Slope.INVERSE, Slope.INVERSE_HALF}:
            total = _mirrored(signals, slope, values, context)
    elif fields:
        tolerance = _of_fields(fields, values, context)
    else:
        return None
    unit = signals[0].signal.unit if signals else fields[0][1].unit if fields else ""
    offset = _offset(slope, unit, values, context)
    if len(context.faults) > before or tolerance is None:
        return None
    return RedundantPair(
        name=context.subject,
        signals=tuple(one.ref for one in signals or ()),
        fields=tuple((record, field.name) for record, field in fields or ()),
        slope=slope,
        sum=total,
        offset=offset / (find_unit(unit) or UNITS["1"]).factor if signals else offset,
        tolerance=tolerance,
        within_ns=values.get(WITHIN) or 0,
        lag_ns=values.get(LAG),
        page=values.get(PAGE) or "",
    )


def _offset(slope: Slope, unit: str, values: SectionValues, context: Context) -> Fraction:
    """Return how much more the second tells than the slope says, in SI; 0 for nothing."""
    written = values.get(OFFSET)
    if written is None:
        return Fraction(0)
    place, known = values.place_of(OFFSET), find_unit(unit)
    if slope in {Slope.INVERSE, Slope.INVERSE_HALF}:
        context.faults.add(place, "`offset` has no meaning for an inverse pair.")
    elif written.unit.offset:
        context.faults.add(place, "A difference of temperatures is written in K.")
    elif known is None:
        context.faults.add(place, "The description gives these signals no unit that is known.")
    else:
        fits(written, known.dimension, place, context)
    return Fraction(written.si)


def _of_signals(signals: tuple[FoundSignal, ...], values: SectionValues, context: Context) -> Fraction | None:
    """Return the tolerance of two signals in the unit of the first; without one it is one count."""
    first, second = signals
    if first.ref == second.ref:
        context.faults.add(values.place_of(SIGNALS, 1), "A redundant pair must name two signals.")
    units = first.signal.unit, second.signal.unit
    if units[0] != units[1] and find_unit(units[0]) != find_unit(units[1]):
        both = f"{shown(units[0])} and {shown(units[1])}"
        text_ = (
            f"The signals of a redundant pair must have one unit: {first.text} and {second.text} have {both}."
        )
        context.faults.add(values.place_of(SIGNALS, 1), text_)
    written = values.get(TOLERANCE)
    if written is None:
        return Fraction(0) if values.has(TOLERANCE) else max(map(_one_count, (first.signal, second.signal)))
    place, unit = values.place_of(TOLERANCE), find_unit(first.signal.unit)
    if written.unit.dimension == UNITS["%"].dimension:
        if first.signal.minimum is None or first.signal.maximum is None:
            text_ = f"A share needs the range of {first.text}, which the description does not give"
            context.faults.add(place, f"{text_}: write the tolerance in its unit.")
            return None
        return written.si * (first.signal.maximum - first.signal.minimum)
    if unit is None:
        text_ = f"The description gives {first.text} no unit that is known"
        context.faults.add(place, f"{text_}: write the tolerance as a share of its range.")
        return None
    return written.si / unit.factor if fits(written, unit.dimension, place, context) else None


def _one_count(signal: DescribedSignal) -> Fraction:
    """What one count of a signal, or two of half the slope, may come to; nothing of a floating-point one."""
    return Fraction(0) if signal.is_float else 2 * abs(Fraction(signal.factor))


def _of_fields(
    fields: tuple[tuple[str, FieldType], ...], values: SectionValues, context: Context
) -> Fraction | None:
    """Return the tolerance of two fields in SI."""
    if values.has(SUM):
        context.faults.add(values.place_of(SUM), "`sum` has no meaning here: fields are not shifted.")
    for index, (record, field) in enumerate(fields):
        if field.kind is not float:
            place = values.place_of(FIELDS, index)
            context.faults.add(place, f"The field {record}.{field.name} is not a quantity.")
        elif field.unit != fields[0][1].unit:
            text_ = (
                f"The fields of a pair must have one unit: these have {fields[0][1].unit} and {field.unit}."
            )
            context.faults.add(values.place_of(FIELDS, index), text_)
    if not values.has(TOLERANCE):
        if not values.lost:
            context.faults.add(values.place, "A pair of fields needs the key `tolerance`.")
        return None
    written, unit = values.get(TOLERANCE), find_unit(fields[0][1].unit)
    if written is None or unit is None:
        return None
    return written.si if fits(written, unit.dimension, values.place_of(TOLERANCE), context) else None


def _mirrored(
    signals: tuple[FoundSignal, ...], slope: Slope, values: SectionValues, context: Context
) -> Fraction | None:
    """Return what an inverse pair adds up to: the first is lowest where the second is highest."""
    low, high = signals[0].signal.minimum, signals[1].signal.maximum
    if low is None or high is None:
        text_ = "An inverse pair needs the key `sum`, since the description gives no range of its signals."
        context.faults.add(values.place, text_)
        return None
    return high + (low / 2 if slope is Slope.INVERSE_HALF else low)
