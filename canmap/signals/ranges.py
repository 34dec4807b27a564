"""Which finished values are outside their range: the one judge, of findings, `mask`, `clamp` and flags.

The limits are exact, and so is the judgement. Of a single integer signal they are turned into raw counts
once, with fractions: a value of 0.7 at factor 0.1 is then exactly on a limit of 0.7. Of sums, tables and
floating-point numbers the finished values are compared, and the few that rounding could have put on the wrong
side of a limit are worked out again with fractions.
"""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.signals.extract import counts
from canmap.signals.limits import raw_limits, raw_span
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from numpy.typing import NDArray

    from canmap.mapping.model import FieldRule
    from canmap.signals.plan import DecodePlan
    from canmap.signals.values import Quantity

ROUNDING = 2.0**-46  # of the largest number on the way: more than the few roundings of a value come to


@dataclass(frozen=True, slots=True)
class Range:
    """The range of a quantity.

    Attributes:
        quantity: The quantity.
        low: Smallest allowed finished value, None for no limit.
        high: Largest.
        counts: Smallest and largest allowed raw count of a single integer signal without a table, (1, 0)
            where none is; else None.
    """

    quantity: Quantity
    low: Fraction | None
    high: Fraction | None
    counts: tuple[int, int] | None

    @classmethod
    def of_field(cls, rule: FieldRule, quantity: Quantity, plan: DecodePlan) -> Range | None:
        """Return the range of a field: the spec's, else what the description says of its only signal.

        None where nothing can be outside.
        """
        if rule.limits is not None:
            return cls._of(quantity, rule.limits.low, rule.limits.high)
        if len(rule.sources) > 1 or rule.table is not None:
            return None
        return cls.of_description(quantity, plan)

    @classmethod
    def of_description(cls, quantity: Quantity, plan: DecodePlan) -> Range | None:
        """Return the described range of the only signal of a quantity without a table, None for none."""
        signal = plan.columns[quantity.columns[0]].signal
        ends = [None if end is None else quantity.line.at(end) for end in (signal.minimum, signal.maximum)]
        low, high = ends if quantity.line.exact[0] > 0 else ends[::-1]
        return cls._of(quantity, low, high)

    @classmethod
    def _of(cls, quantity: Quantity, low: Fraction | None, high: Fraction | None) -> Range | None:
        if low is None and high is None:
            return None
        part = quantity.scalings[0]
        if len(quantity.scalings) > 1 or quantity.points is not None or part.kind is ColumnKind.FLOAT:
            return cls(quantity, low, high, None)
        factor, offset = part.line.exact
        allowed = raw_limits(
            low, high, quantity.line.exact[0] * factor, quantity.line.at(offset), part.bits, part.signed
        )
        return None if allowed == raw_span(part.bits, part.signed) else cls(quantity, low, high, allowed)

    @property
    def ends(self) -> tuple[float, float]:
        """The limits as floats, infinite for none."""
        return -inf if self.low is None else float(self.low), inf if self.high is None else float(self.high)

    def outside(
        self, raw: Sequence[NDArray[np.int64]], values: NDArray[np.float64], finite: NDArray[np.bool_] | None
    ) -> NDArray[np.bool_] | None:
        """Return bool[n], which values are outside; None where none is.

        Args:
            raw: int64[n], the raw values of each column.
            values: float64[n], what the quantity makes of them.
            finite: bool[n], as the quantity returns it; what is no number is not outside.
        """
        if not len(values):
            return None
        if self.counts is not None:
            numbers = counts(raw[0], self.quantity.scalings[0].kind)
            return _outside_counts(numbers, *self.counts, finite)
        low, high = self.ends
        slack = self._slack(raw)
        if finite is None and low + np.max(slack) < values.min() and values.max() < high - np.max(slack):
            return None
        with np.errstate(invalid="ignore", over="ignore"):
            outside = (values < low) | (values > high)
            near = (np.abs(values - low) <= slack) | (np.abs(values - high) <= slack)
        if finite is not None:
            outside &= finite
            near &= finite
        rows = np.flatnonzero(near)
        if len(rows):
            distinct, which = np.unique(np.stack([part[rows] for part in raw]), axis=1, return_inverse=True)
            judged = [self._is_outside(one) for one in distinct.T.tolist()]
            outside[rows] = np.array(judged, np.bool_)[which.ravel()]
        return outside if outside.any() else None

    def _is_outside(self, raw: Sequence[int]) -> bool:
        value = self.quantity.exact(raw)
        return (self.low is not None and value < self.low) or (self.high is not None and value > self.high)

    def _slack(self, raw: Sequence[NDArray[np.int64]]) -> NDArray[np.float64] | float:
        """How far from a limit rounding may have taken a value: a float, or float64[n]."""
        quantity = self.quantity
        reach: NDArray[np.float64] | float
        if quantity.reach is not None:
            reach = quantity.reach
        else:
            with np.errstate(invalid="ignore", over="ignore"):
                reach = np.abs(quantity.scalings[0].physical(raw[0])) + abs(quantity.scalings[0].line.offset)
                for part, more in zip(quantity.scalings[1:], raw[1:], strict=True):
                    reach += np.abs(part.physical(more)) + abs(part.line.offset)
                reach = reach * abs(quantity.line.factor) + abs(quantity.line.offset)
        if quantity.table is not None:
            before, after = quantity.table
            steepest = np.abs(np.diff(after) / np.diff(before)).max(initial=0.0)
            reach = reach * steepest + np.abs(after).max()
        return reach * ROUNDING + 1e-300


def _outside_counts(
    numbers: NDArray[np.int64] | NDArray[np.uint64], low: int, high: int, finite: NDArray[np.bool_] | None
) -> NDArray[np.bool_] | None:
    if low <= numbers.min() and numbers.max() <= high:
        return None
    outside: NDArray[np.bool_] = (numbers < low) | (numbers > high)
    return outside if finite is None else outside & finite
