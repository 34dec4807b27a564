"""Which values have limits, whose these are, and how sentences say the values."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.findings.finding import Place
from canmap.signals.prepared import HIGHEST, LOWEST
from canmap.signals.ranges import Range
from canmap.signals.values import Quantity
from canmap.vocabulary.units import find_unit

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator

    from canmap.mapping.description.description import NoData
    from canmap.mapping.model import FieldRule, RecordRule
    from canmap.signals.plan import Column, DecodePlan
    from canmap.vocabulary.figures import Figures


@dataclass(frozen=True, slots=True)
class Said:
    """How a sentence says a finished value: as a field has it, or as the signal does.

    Attributes:
        name: Of the field or signal.
        factor: Finished value = said value * factor + offset.
        offset: See `factor`.
        unit: Its unit.
        same: It says the same value as the owner of the limits, be it in another unit.
    """

    name: str
    factor: float
    offset: float
    unit: str
    same: bool = True

    def value(self, finished: float) -> float:
        """Return the value that it says."""
        return (finished - self.offset) / self.factor

    def text(self, finished: float, figures: Figures) -> str:
        """Return "-700 deg"."""
        return figures.value(self.value(finished), self.unit)


@dataclass(frozen=True, slots=True)
class RangedValue:
    """A value with limits: a signal, or a record field made of one or several signals of a message.

    Attributes:
        place: What findings are about.
        quantity: How the finished value is made.
        range: Its range.
        no_data: For each of its signals, the raw codes that are no value.
        owners: Whose limits they are: fields of the same, or the signal; the first says value and limits.
        others: Who else has the value: the signal, or fields.
    """

    place: Place
    quantity: Quantity
    range: Range
    no_data: tuple[tuple[NoData, ...], ...]
    owners: tuple[Said, ...]
    others: tuple[Said, ...]

    @property
    def columns(self) -> tuple[int, ...]:
        """Its signals."""
        return self.quantity.columns

    @property
    def plain(self) -> tuple[int, int]:
        """Smallest and largest raw value, as samples hold it, between which nothing can be outside."""
        if self.range.counts is None or self.quantity.reach is None:
            return HIGHEST, LOWEST
        low, high = self.range.counts
        if self.quantity.scalings[0].signed:
            return low, high
        return max(low, 0), min(high, HIGHEST)  # what is negative there is a count from 2**63 on

    @property
    def compared_ends(self) -> tuple[float, float]:
        """Smallest and largest that is allowed of what the check compares: raw counts, or finished values."""
        return self.range.counts or self.range.ends

    def finished(self, compared: float) -> float:
        """Return the finished value of what the check compares."""
        if self.range.counts is None:
            return compared
        part = self.quantity.scalings[0]
        return float(self.quantity.line.at(part.line.at(Fraction(compared))))

    def facts(self, finished: float, bound: float) -> dict[str, str | float]:
        """Return what a sentence says: the value as each has it, and the limit in the unit of the first."""
        values = {one.name: one.value(finished) for one in (*self.owners, *self.others)}
        return {**values, "limit": bound, "unit": self.owners[0].unit}

    def said(self, finished: float, figures: Figures) -> str:
        """Return the begin of a sentence: whose value it was and what; beside it who says it otherwise."""
        own = self.owners[0]
        names, value = ", ".join(owner.name for owner in self.owners), own.text(finished, figures)
        beside = ", ".join(
            other.name if other.same else f"{other.name} {other.text(finished, figures)}"
            for other in self.others
        )
        if all(other.same for other in self.others):
            return f"{names} ({beside}) was {value}" if beside else f"{names} was {value}"
        return f"{names} was {value} ({beside})"


def subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[RangedValue]:
    """Yield everything that has limits.

    The range of a field goes before the description's range of the signals that it is made of. A field
    without one keeps the description's of its only signal. Fields of the same signals, mapping, codes and
    limits are one subject. A choice has no range: its labels say which codes it may have.
    """
    covered: set[int] = set()
    alone: dict[int, list[tuple[Place, FieldRule]]] = {}
    parts: dict[int, tuple[NoData, ...]] = {}
    limited: dict[Hashable, RangedValue] = {}
    for record in records:
        for rule in record.fields:
            columns = tuple(plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources)
            place = place_of(plan.columns[columns[0]], plan, record.name, rule, alone=len(columns) == 1)
            if rule.limits is not None:
                covered.update(columns)
                mapping = columns, rule.factor, rule.offset, rule.table, rule.no_data
                key = (*mapping, rule.limits.low, rule.limits.high)
                own = _of_field(plan, rule, place)
                if own is not None:
                    same = limited.get(key)
                    limited[key] = own if same is None else replace(same, owners=same.owners + own.owners)
            elif rule.codes is not None:
                covered.update(columns)  # its labels say which codes it may have
            elif len(columns) == 1 and rule.table is None:
                alone.setdefault(columns[0], []).append((place, rule))
            else:
                parts.update(zip(columns, rule.no_data, strict=True))
    yield from limited.values()
    for index, column in enumerate(plan.columns):
        if index in alone:
            yield from _of_mapped(plan, alone[index])
        elif index not in covered:
            yield from _of_signal(plan, index, parts.get(index, column.signal.no_data))


def place_of(column: Column, plan: DecodePlan, record: str, rule: FieldRule, *, alone: bool) -> Place:
    """Return what findings about a field are about; `alone`: one signal makes it."""
    slot = plan.slots[column.slot]
    return Place(
        bus=slot.bus_name,
        message=slot.message.name,
        signal=column.signal.name if alone else None,
        record=record,
        field=rule.type.name,
    )


def _of_field(plan: DecodePlan, rule: FieldRule, place: Place) -> RangedValue | None:
    """The range that the spec gives a field; None where nothing can leave it."""
    quantity = Quantity.of_rule(rule, plan)
    limits, own = rule.limits, Range.of_field(rule, quantity, plan)
    if limits is None or own is None:
        return None
    field = Said(_name(place), float(limits.factor), float(limits.offset), limits.unit)
    signal = _signal_says(plan, place, rule, quantity)
    others = () if signal.same and place.signal is None else (signal,)
    return RangedValue(place, quantity, own, rule.no_data, (field,), others)


def _of_mapped(plan: DecodePlan, fields: list[tuple[Place, FieldRule]]) -> Iterator[RangedValue]:
    """The description's range of one signal, which makes `fields`; one for each set of "no data" codes."""
    by_codes: dict[Hashable, list[tuple[Place, FieldRule]]] = {}
    for place, rule in fields:
        by_codes.setdefault(rule.no_data, []).append((place, rule))
    for alike in by_codes.values():
        place, rule = alike[0]
        quantity = Quantity.of_rule(rule, plan)
        described = Range.of_field(rule, quantity, plan)
        if described is not None and quantity.line.factor:
            others = tuple(field_says(one, of_one) for one, of_one in alike)
            signal = _signal_says(plan, place, rule, quantity)
            yield RangedValue(place, quantity, described, rule.no_data, (signal,), others)


def _of_signal(plan: DecodePlan, column: int, codes: tuple[NoData, ...]) -> Iterator[RangedValue]:
    """The description's range of a signal that alone makes no field."""
    signal, slot = plan.columns[column].signal, plan.slots[plan.columns[column].slot]
    quantity = Quantity.of_column(plan, column)
    described = Range.of_description(quantity, plan)
    if described is not None:
        place = Place(bus=slot.bus_name, message=slot.message.name, signal=signal.name)
        said = Said(f"{place.message}.{place.signal}", 1.0, 0.0, signal.unit)
        yield RangedValue(place, quantity, described, (codes,), (said,), ())


def _name(place: Place) -> str:
    return f"{place.record}.{place.field}"


def _signal_says(plan: DecodePlan, place: Place, rule: FieldRule, quantity: Quantity) -> Said:
    """How the signal of a field says its value, or the sum of its signals; behind a table nothing tells."""
    name = f"{place.message}.{place.signal}" if place.signal else "the sum of its signals"
    unit = plan.columns[quantity.columns[0]].signal.unit or rule.unit
    same = _is_plain(rule) or rule.table is not None or not quantity.line.factor
    return Said(name, quantity.line.factor, quantity.line.offset, unit, same)


def field_says(place: Place, rule: FieldRule) -> Said:
    """How a field says its value: in the unit of its signal, where that is one of its own."""
    unit, own = find_unit(rule.unit), find_unit(rule.type.unit)
    if unit is None or own is None or unit.dimension != own.dimension:
        return Said(_name(place), 1.0, 0.0, rule.type.unit, same=False)
    return Said(_name(place), float(unit.factor), float(unit.offset), rule.unit, _is_plain(rule))


def _is_plain(rule: FieldRule) -> bool:
    """Whether a field says what its signal says: a unit alone, if anything, makes its number another."""
    unit = find_unit(rule.unit)
    return (
        rule.table is None and unit is not None and (rule.factor, rule.offset) == (unit.factor, unit.offset)
    )
