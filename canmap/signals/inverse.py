"""The way back of a quantity: from a value of a record to the raw value that a sender puts into a frame.

Exact: a straight line is divided in fractions, a table is followed backwards where it only rises or only
falls. What is left over, because a raw value is a whole number or has few bits, is stated as the residual.
"""

from __future__ import annotations

import math
import sys
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.errors import CanmapError
from canmap.base.words import number
from canmap.signals.limits import raw_span
from canmap.signals.plan import ColumnKind
from canmap.signals.values import interpolated

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.mapping.description.description import NoData
    from canmap.signals.values import Quantity


class NoRaw(StrEnum):
    """Why there is no raw value to send."""

    SUM = "sum"  # of `high` signals
    CONSTANT = "constant"  # whatever the raw value
    TABLE = "table"  # which has a value twice, or stands still
    OFF_TABLE = "off_table"  # which ends at `low` and `high`
    BEYOND = "beyond"  # what the bits hold, `low` to `high`
    NO_DATA = "no_data"  # the nearest raw value means that there is none


_SENTENCES = {
    NoRaw.SUM: "A sum of {high} signals has no inverse: give a value for each signal.",
    NoRaw.CONSTANT: "The value is the same for every raw value: correct the factor.",
    NoRaw.TABLE: "A table that neither only rises nor only falls has no inverse: give a raw value.",
    NoRaw.OFF_TABLE: "The value {value} is beyond the table: give one from {low} to {high}.",
    NoRaw.BEYOND: "The value {value} is beyond what the signal can hold: give one from {low} to {high}.",
    NoRaw.NO_DATA: "The raw value nearest to {value} means that there is no value: give another.",
}


class NoRawError(CanmapError, ValueError):
    """There is no raw value to send.

    Attributes:
        reason: Why.
        value: What was to be sent, in the record's unit; None where no value can be.
        low: Smallest value that can be, in the record's unit; None where that is not why.
        high: Largest value that can be; of a sum, how many signals it has.
    """

    def __init__(
        self,
        reason: NoRaw,
        value: Fraction | None = None,
        low: Fraction | None = None,
        high: Fraction | None = None,
    ) -> None:
        super().__init__(reason, value, low, high)
        self.reason, self.value, self.low, self.high = reason, value, low, high

    def __str__(self) -> str:
        """One sentence."""
        fields = {"value": self.value, "low": self.low, "high": self.high}
        words = {name: number(_near(value)) for name, value in fields.items() if value is not None}
        return _SENTENCES[self.reason].format(**words)


def _near(value: Fraction) -> float:
    """Return about the value; infinite where no float is as large."""
    return float(value) if abs(value) <= sys.float_info.max else math.inf


@dataclass(frozen=True, slots=True)
class Nearest:
    """The raw value whose meaning is nearest to a value.

    Attributes:
        raw: The count; of a floating-point signal its bit pattern.
        bits: The bits of the signal that hold it, as `Packing.pack` takes them.
        value: What a receiver makes of it, in the record's unit, exactly.
        residual: The value that was asked for, less `value`.
    """

    raw: int
    bits: int
    value: Fraction
    residual: Fraction


class Inverse:
    """From values of one quantity to raw values of its signal."""

    def __init__(self, quantity: Quantity, no_data: Sequence[NoData] = ()) -> None:
        """Turn a quantity round.

        Args:
            quantity: Made of one signal.
            no_data: Counts of the signal that mean "no data" or "error".

        Raises:
            NoRawError: It has no inverse: it is a sum, its factor is 0, or its table turns or stands still.
        """
        if len(quantity.scalings) != 1:
            raise NoRawError(NoRaw.SUM, high=Fraction(len(quantity.scalings)))
        self._quantity = quantity
        self._scaling = quantity.scalings[0]
        self._no_data = no_data
        (inner, shift), (outer, offset) = self._scaling.line.exact, quantity.line.exact
        self._factor, self._offset = inner * outer, shift * outer + offset
        if not self._factor:
            raise NoRawError(NoRaw.CONSTANT)
        self._back = None if quantity.points is None else _turned(quantity.points)

    def nearest(self, value: Fraction) -> Nearest:
        """Return the raw value that is nearest to a value in the record's unit; of two, the even one.

        Raises:
            NoRawError: No raw value comes as near as half a count, or the nearest means "no data".
        """
        before = value if self._back is None else self._before_table(value, self._back)
        exact = (before - self._offset) / self._factor
        floating = self._scaling.kind is ColumnKind.FLOAT
        around = self._patterns(exact, value) if floating else self._counts(exact, value)
        made = [(raw, self._made(raw)) for raw in around]
        raw, there = min(made, key=lambda one: (abs(value - one[1]), one[0] % 2, one[0]))
        if any(span.low <= raw <= span.high for span in self._no_data):
            raise NoRawError(NoRaw.NO_DATA, value)
        return Nearest(raw, raw & (1 << self._scaling.bits) - 1, there, value - there)

    def _before_table(self, value: Fraction, back: tuple[tuple[Fraction, Fraction], ...]) -> Fraction:
        low, high = back[0][0], back[-1][0]
        if not low <= value <= high:
            raise NoRawError(NoRaw.OFF_TABLE, value, low, high)
        return interpolated(back, value)

    def _made(self, raw: int) -> Fraction:
        """Return what a receiver makes of a raw value."""
        return self._quantity.exact([raw - (1 << 64) if raw >> 63 > 0 else raw])

    def _counts(self, exact: Fraction, value: Fraction) -> set[int]:
        """Return the counts around an exact one that the signal holds."""
        least, most = raw_span(self._scaling.bits, self._scaling.signed)
        if not least - Fraction(1, 2) <= exact <= most + Fraction(1, 2):
            raise NoRawError(NoRaw.BEYOND, value, *sorted(map(self._made, (least, most))))
        return {min(max(count, least), most) for count in (math.floor(exact), math.ceil(exact))}

    def _patterns(self, exact: Fraction, value: Fraction) -> set[int]:
        """Return the bit patterns of the floating-point numbers around an exact one."""
        kind, width = f"f{self._scaling.bits // 8}", f"u{self._scaling.bits // 8}"
        most = np.finfo(kind).max
        reach = Fraction(float(most))
        if abs(exact) > reach:
            ends = (self._made(int(end.view(width))) for end in (-most, most))
            raise NoRawError(NoRaw.BEYOND, value, *sorted(ends))
        near = np.array(float(exact)).astype(kind)[()]
        around = [np.nextafter(near, -most), near, np.nextafter(near, most)]
        return {int(one.view(width)) for one in around if np.isfinite(one)}


def _turned(points: Sequence[tuple[Fraction, Fraction]]) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return the breakpoints (out, in) of a table the other way round, ascending."""
    steps = {(high > low) - (high < low) for (_, low), (_, high) in pairwise(points)}
    if steps not in ({1}, {-1}):
        raise NoRawError(NoRaw.TABLE)
    return tuple(sorted((out, into) for into, out in points))
