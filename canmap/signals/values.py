"""How the value of a record field is made from raw values; the one home of the order of operations.

Raw -> scale and offset of the description -> sum -> unit to SI, sign, scale and offset of the spec (one
factor and one offset by now) -> table. Choices go from the raw code to the field's value directly.
"""

from __future__ import annotations

from bisect import bisect_right
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.signals.extract import as_float64, counts, patterns
from canmap.signals.limits import raw_span
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.mapping.model import FieldRule
    from canmap.signals.plan import DecodePlan

SAFE = 2.0**1000  # below the largest float64 by far: no rounding takes what is below it beyond that
MARGIN = 1 + 2.0**-40  # more than the roundings of a bound come to


def _float(number: Fraction) -> float:
    """float(number), without the detour through the abstract classes of numbers."""
    above, below = number.as_integer_ratio()
    return above / below  # rounds once, as float() of a fraction does


@dataclass(frozen=True, slots=True)
class StraightLine:
    """A straight line: value * factor + offset, in floats and exactly."""

    factor: float
    offset: float
    exact: tuple[Fraction, Fraction]

    @classmethod
    def of(cls, factor: Fraction, offset: Fraction) -> StraightLine:
        """Return the line of exact numbers."""
        return cls(_float(factor), _float(offset), (factor, offset))

    def reach(self, furthest: float) -> float:
        """Return about what no value and no step on the way to it exceeds, for values up to `furthest`."""
        return abs(self.factor) * furthest + abs(self.offset)

    def at(self, value: Fraction) -> Fraction:
        """Return the exact value."""
        factor, offset = self.exact
        scaled = value if factor == 1 else value * factor
        return scaled + offset if offset else scaled


_AS_IT_IS = StraightLine.of(Fraction(1), Fraction(0))


@dataclass(frozen=True, slots=True)
class Scaling:
    """How the raw values of one column become physical: a line, in its description's unit."""

    kind: ColumnKind
    bits: int
    signed: bool
    line: StraightLine

    def physical(self, raw: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return float64[n] for int64[n]."""
        numbers = as_float64(raw, self.kind, self.bits)
        numbers *= self.line.factor
        numbers += self.line.offset
        return numbers

    def exact(self, raw: int) -> Fraction:
        """Return the physical value of a raw value, which stands for a finite number."""
        one = np.array([raw], np.int64)
        if self.kind is ColumnKind.FLOAT:
            return self.line.at(Fraction(as_float64(one, self.kind, self.bits).item()))
        return self.line.at(Fraction(counts(one, self.kind).item()))

    @property
    def reach(self) -> float | None:
        """About what no physical value exceeds; None for a floating-point number."""
        if self.kind is ColumnKind.FLOAT:
            return None
        low, high = raw_span(self.bits, self.signed)
        return self.line.reach(float(max(-low, high)))


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number of a record, made of one column or the sum of several.

    Attributes:
        columns: The columns that are summed.
        scalings: One for each.
        line: From the description's unit to the record's, with sign, scale and offset of the spec.
        points: Breakpoints (in, out) of the table in the record's unit, exactly; None for none.
        table: float64[2, k], the same.
        reach: What no value before the table exceeds, nor any step on the way; None where a floating-point
            number or a huge factor sets no such bound. Then a value may be infinite or not a number.
    """

    columns: tuple[int, ...]
    scalings: tuple[Scaling, ...]
    line: StraightLine
    points: tuple[tuple[Fraction, Fraction], ...] | None
    table: NDArray[np.float64] | None
    reach: float | None

    @classmethod
    def of_rule(cls, rule: FieldRule, plan: DecodePlan) -> Quantity:
        """Return the quantity that `rule` describes."""
        columns = tuple(plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources)
        return cls._of(plan, columns, StraightLine.of(rule.factor, rule.offset), rule.table)

    @classmethod
    def of_column(cls, plan: DecodePlan, column: int) -> Quantity:
        """Return what the description says of one signal, in its unit."""
        return cls._of(plan, (column,), _AS_IT_IS, None)

    @classmethod
    def _of(
        cls,
        plan: DecodePlan,
        columns: tuple[int, ...],
        line: StraightLine,
        points: tuple[tuple[Fraction, Fraction], ...] | None,
    ) -> Quantity:
        scalings = tuple(scaling(plan, column) for column in columns)
        table = None if points is None else np.array(points, np.float64).T
        return cls(columns, scalings, line, points, table, _reach(scalings, line))

    def values(
        self, raw: Sequence[NDArray[np.int64]]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
        """Return the finished values for int64[n] raw values of each column, and which are numbers.

        float64[n], and bool[n]: False where there is no finite number; None where all are.
        """
        if self.reach is not None:
            value = self._before_table(raw)
            return (value if self.table is None else np.interp(value, *self.table)), None
        with np.errstate(invalid="ignore", over="ignore"):
            value = self._before_table(raw)
        finite = np.isfinite(value)
        if self.table is not None:
            value = np.interp(value, *self.table)
        return value, None if finite.all() else finite

    def _before_table(self, raw: Sequence[NDArray[np.int64]]) -> NDArray[np.float64]:
        value = self.scalings[0].physical(raw[0])
        for part, more in zip(self.scalings[1:], raw[1:], strict=True):
            value += part.physical(more)
        value *= self.line.factor
        value += self.line.offset
        return value

    def exact(self, raw: Sequence[int]) -> Fraction:
        """Return the finished value of one raw value of each column; all stand for finite numbers."""
        parts = (part.exact(one) for part, one in zip(self.scalings, raw, strict=True))
        value = self.line.at(sum(parts, Fraction(0)))
        return value if self.points is None else interpolated(self.points, value)


def _reach(scalings: Sequence[Scaling], line: StraightLine) -> float | None:
    total = 0.0
    for part in scalings:
        reach = part.reach
        if reach is None:
            return None
        total += reach
    furthest = max(total, line.reach(total)) * MARGIN
    return furthest if furthest < SAFE else None


def interpolated(points: Sequence[tuple[Fraction, Fraction]], value: Fraction) -> Fraction:
    """Return the exact value of a table; beyond its ends, these hold."""
    if value <= points[0][0]:
        return points[0][1]
    if value >= points[-1][0]:
        return points[-1][1]
    after = bisect_right(points, value, key=lambda point: point[0])
    (a, low), (b, high) = points[after - 1], points[after]
    return low + (high - low) * (value - a) / (b - a)


def scaling(plan: DecodePlan, column: int) -> Scaling:
    """Return how `column` of `plan` is scaled."""
    described = plan.columns[column]
    signal = described.signal
    return Scaling(described.kind, signal.bits, signal.signed, StraightLine.of(signal.factor, signal.offset))


@dataclass(frozen=True, slots=True)
class Choice:
    """A state, a yes or no, or a code of a record, looked up by the raw value of one column.

    Attributes:
        columns: The column.
        kind: How its raw values are read.
        codes: int64[k], raw values that mean something, ascending; None where the raw value is the field's.
        meanings: int64[k], the field's value for each.
    """

    columns: tuple[int]
    kind: ColumnKind
    codes: NDArray[np.int64] | None
    meanings: NDArray[np.int64] | None

    @classmethod
    def of_rule(cls, rule: FieldRule, plan: DecodePlan) -> Choice:
        """Return the choice that `rule` describes."""
        ref = rule.sources[0]
        column = plan.column_of[ref.bus, ref.message, ref.signal]
        kind = plan.columns[column].kind
        if rule.codes is None:
            return cls((column,), kind, None, None)
        codes = patterns(rule.codes)
        order = codes.argsort()
        return cls((column,), kind, codes[order], np.array(list(rule.codes.values()), np.int64)[order])

    def values(
        self, raw: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64] | NDArray[np.uint64], NDArray[np.bool_] | None]:
        """Return [n] values for int64[n] raw values, and which codes mean something (None: all).

        int64, or uint64 for a number that is its own code of 64 bits without sign.
        """
        if self.codes is None or self.meanings is None:
            return counts(raw, self.kind), None
        place = np.minimum(np.searchsorted(self.codes, raw), len(self.codes) - 1)
        return self.meanings[place], self.codes[place] == raw
