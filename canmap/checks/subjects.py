"""Which values have limits, and the limits as they are compared: in raw counts wherever counts are exact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from math import gcd, inf, lcm
from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.finding import Place
from canmap.records.value import Quantity, scaling
from canmap.signals.extract import no_data
from canmap.signals.limits import raw_limits
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator

    from numpy.typing import NDArray

    from canmap.signals.extract import Samples
    from canmap.signals.plan import Column, DecodePlan
    from canmap.spec.description import NoData
    from canmap.spec.model import FieldRule, Limits, RecordRule

COUNT_BITS = 62  # a weighted sum of counts must stay within int64


@dataclass(frozen=True, slots=True)
class Subject:
    """A value with limits: a signal, or a record field made of one or several signals of a message.

    Attributes:
        place: What findings are about.
        fields: Record fields that are made of it and share the limits, as "drive.speed"; the first is that of
            the place.
        of_field: The limits are of the fields, not of the description.
        columns: Its signals.
        weights: Whole numbers by which the raw values are summed before they are compared, so that
            finished value = sum * factor + offset exactly; None where the finished value itself is compared.
        quantity: How the finished value is made where it is compared.
        factor: See `weights`.
        offset: See `weights`.
        low: Smallest allowed: a count, or a finished value.
        high: Largest.
        stated: Smallest and largest finished value as written, for texts.
        no_data: Raw codes of a single signal that are no value.
        unit: Unit for texts.
        to_unit: Finished value = value in `unit` * to_unit[0] + to_unit[1].
    """

    place: Place
    fields: tuple[str, ...]
    of_field: bool
    columns: tuple[int, ...]
    weights: tuple[int, ...] | None
    quantity: Quantity
    factor: Fraction
    offset: Fraction
    low: float
    high: float
    stated: tuple[float, float]
    no_data: tuple[NoData, ...]
    unit: str
    to_unit: tuple[float, float]

    @property
    def name(self) -> str:
        """What sentences are about: whoever's limit it is first."""
        signal = f"{self.place.message}.{self.place.signal}" if self.place.signal else ""
        fields = ", ".join(self.fields)
        first, then = (fields, signal) if self.of_field else (signal, fields)
        return f"{first} ({then})" if then else first

    @property
    def simple(self) -> bool:
        """Whether the extremes of one column decide."""
        return self.weights == (1,)

    def finished(self, compared: float) -> float:
        """Return the finished value for a count, or for a value that is finished already."""
        return compared if self.weights is None else float(self.factor * int(compared) + self.offset)

    def compared(self, samples: Samples) -> tuple[NDArray[np.int64 | np.float64], NDArray[np.bool_]]:
        """Return what is compared for every sample, and which samples are values that can be judged."""
        raw = [samples.values(column) for column in self.columns]
        judged = np.ones(len(raw[0]), np.bool_)
        for column in self.columns:
            if samples.valid is not None:
                judged &= samples.valid[samples.column_start[column] : samples.column_start[column + 1]]
        if self.no_data:
            kind = samples.plan.columns[self.columns[0]].kind
            judged &= ~no_data(raw[0], kind, self.no_data)
        if self.weights is None:
            values = self.quantity.values(raw)
            return values, judged & ~np.isnan(values)
        if self.simple:
            return raw[0], judged
        return np.sum([weight * part for weight, part in zip(self.weights, raw, strict=True)], axis=0), judged


def subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[Subject]:
    """Yield everything that has limits.

    The range of a field goes before the description's range of the signals that it is made of. A signal
    without one keeps the description's, and is named with the fields that it alone makes. Fields of the same
    signals and limits are one subject. A choice has no range: its labels say which codes it may have.
    """
    covered: set[int] = set()
    named: dict[int, list[tuple[Place, FieldRule]]] = {}
    limited: dict[Hashable, Subject] = {}
    for record in records:
        for rule in record.fields:
            columns = tuple(plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources)
            place = place_of(plan.columns[columns[0]], plan, record.name, rule, alone=len(columns) == 1)
            if rule.limits is not None:
                covered.update(columns)
                own = _of_field(plan, rule, rule.limits, place)
                same = limited.get(key := _judged_by(own, rule))
                limited[key] = own if same is None else replace(same, fields=same.fields + own.fields)
            elif rule.codes is not None:
                covered.update(columns)  # its labels say which codes it may have
            elif len(columns) == 1 and rule.table is None:
                named.setdefault(columns[0], []).append((place, rule))
    yield from limited.values()
    for number, column in enumerate(plan.columns):
        signal = column.signal
        if number not in covered and (signal.minimum is not None or signal.maximum is not None):
            subject = _of_signal(plan, number, named.get(number, []))
            if subject is not None:
                yield subject


def _judged_by(subject: Subject, rule: FieldRule) -> Hashable:
    """What decides which samples are outside: where two fields have the same, a fault of one is of both."""
    counts = subject.columns, subject.weights, subject.low, subject.high, subject.no_data
    return counts if subject.weights else (counts, rule.factor, rule.offset, rule.table)


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


def _of_field(plan: DecodePlan, rule: FieldRule, limits: Limits, place: Place) -> Subject:
    quantity = Quantity.of_rule(rule, plan)
    signals = [plan.columns[column].signal for column in quantity.columns]
    factors = [signal.factor for signal in signals]
    step = _common_step(factors)
    weights = tuple(int(factor / step) for factor in factors)
    factor = rule.factor * step
    offset = rule.factor * sum((signal.offset for signal in signals), Fraction(0)) + rule.offset
    bits = max(
        signal.bits + abs(weight).bit_length() for signal, weight in zip(signals, weights, strict=True)
    )
    stated = _bounds(limits.low, limits.high)
    about = (place, (f"{place.record}.{place.field}",), True)
    texts = (limits.unit, (float(limits.factor), float(limits.offset)))
    exact = all(plan.columns[column].kind is ColumnKind.INTEGER for column in quantity.columns)
    if exact and rule.table is None and bits + len(signals).bit_length() <= COUNT_BITS:
        if len(signals) == 1:
            weights, factor, bits, signed = (1,), rule.factor * factors[0], signals[0].bits, signals[0].signed
        else:
            bits, signed = COUNT_BITS, True
        counts = raw_limits(limits.low, limits.high, factor, offset, bits, signed)
        return Subject(
            *about,
            quantity.columns,
            weights,
            quantity,
            factor,
            offset,
            *counts,
            stated,
            rule.no_data,
            *texts,
        )
    one, zero = Fraction(1), Fraction(0)
    return Subject(*about, quantity.columns, None, quantity, one, zero, *stated, stated, rule.no_data, *texts)


def _of_signal(plan: DecodePlan, number: int, fields: list[tuple[Place, FieldRule]]) -> Subject | None:
    """The description's range of one signal, which makes `fields`; None where the signal cannot leave it."""
    column = plan.columns[number]
    signal, slot = column.signal, plan.slots[column.slot]
    own = scaling(plan, number)
    if not fields:
        place = Place(bus=slot.bus_name, message=slot.message.name, signal=signal.name)
        factor, offset, codes = Fraction(1), Fraction(0), signal.no_data
    else:
        place, rule = fields[0]
        factor, offset, codes = rule.factor, rule.offset, rule.no_data
    quantity = Quantity((number,), (own,), float(factor), float(offset), None)
    ends = [None if limit is None else limit * factor + offset for limit in (signal.minimum, signal.maximum)]
    stated = _bounds(*(ends if factor > 0 else ends[::-1]))
    about = (place, tuple(f"{one.record}.{one.field}" for one, _ in fields), False)
    texts = (signal.unit, (float(factor), float(offset)))
    if column.kind is not ColumnKind.INTEGER or not signal.factor:
        one, zero = Fraction(1), Fraction(0)
        return Subject(*about, (number,), None, quantity, one, zero, *stated, stated, codes, *texts)
    length = signal.bits, signal.signed
    counts = raw_limits(signal.minimum, signal.maximum, signal.factor, signal.offset, *length)
    if counts == raw_limits(None, None, Fraction(1), Fraction(0), *length):
        return None
    line = (factor * signal.factor, factor * signal.offset + offset)
    return Subject(*about, (number,), (1,), quantity, *line, *counts, stated, codes, *texts)


def _bounds(low: Fraction | None, high: Fraction | None) -> tuple[float, float]:
    return -inf if low is None else float(low), inf if high is None else float(high)


def _common_step(factors: list[Fraction]) -> Fraction:
    """The largest fraction of which all factors are whole multiples."""
    denominator = lcm(*(factor.denominator for factor in factors))
    numerator = gcd(*(int(factor * denominator) for factor in factors))
    return Fraction(numerator or 1, denominator)
