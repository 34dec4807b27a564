"""How the value of a record field is made from raw values; the one home of the order of operations.

Raw -> scale and offset of the description -> sum -> unit to SI, sign, scale and offset of the spec (one
factor and one offset by now) -> table. Choices go from the raw code to the field's value directly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.signals.extract import as_float64
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.signals.plan import DecodePlan
    from canmap.spec.model import FieldRule


@dataclass(frozen=True, slots=True)
class Scaling:
    """How the raw values of one column become physical: raw * factor + offset, in its description's unit."""

    kind: ColumnKind
    bits: int
    factor: float
    offset: float

    def physical(self, raw: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return float64[n] for int64[n]."""
        numbers = as_float64(raw, self.kind, self.bits)
        if self.kind is not ColumnKind.FLOAT:
            numbers *= self.factor
            numbers += self.offset
            return numbers
        with np.errstate(invalid="ignore", over="ignore"):
            return numbers * self.factor + self.offset


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number of a record, made of one column or the sum of several.

    Attributes:
        columns: The columns that are summed.
        scalings: One for each.
        factor: From the description's unit to the record's, with sign and scale of the spec.
        offset: In the record's unit.
        table: float64[2, k], breakpoints in and out in the record's unit; None for none.
    """

    columns: tuple[int, ...]
    scalings: tuple[Scaling, ...]
    factor: float
    offset: float
    table: NDArray[np.float64] | None

    @property
    def is_finite(self) -> bool:
        """Whether no raw value can make it infinite or not a number."""
        return all(part.kind is not ColumnKind.FLOAT for part in self.scalings)

    @classmethod
    def of_rule(cls, rule: FieldRule, plan: DecodePlan) -> Quantity:
        """Return the quantity that `rule` describes."""
        columns = tuple(plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources)
        return cls(
            columns=columns,
            scalings=tuple(scaling(plan, column) for column in columns),
            factor=float(rule.factor),
            offset=float(rule.offset),
            table=None if rule.table is None else np.array(rule.table, np.float64).T,
        )

    def values(self, raw: Sequence[NDArray[np.int64]]) -> NDArray[np.float64]:
        """Return float64[n], the finished values for int64[n] raw values of each column."""
        value = self.scalings[0].physical(raw[0])
        for part, more in zip(self.scalings[1:], raw[1:], strict=True):
            value += part.physical(more)
        value *= self.factor
        value += self.offset
        return value if self.table is None else np.interp(value, *self.table)


def scaling(plan: DecodePlan, column: int) -> Scaling:
    """Return how `column` of `plan` is scaled."""
    described = plan.columns[column]
    signal = described.signal
    return Scaling(described.kind, signal.bits, float(signal.factor), float(signal.offset))


@dataclass(frozen=True, slots=True)
class Choice:
    """A state, a yes or no, or a code of a record, looked up by the raw value of one column.

    Attributes:
        columns: The column.
        codes: int64[k], raw values that mean something, ascending.
        meanings: int64[k], the field's value for each; None where the raw value is the field's value.
    """

    columns: tuple[int]
    codes: NDArray[np.int64] | None
    meanings: NDArray[np.int64] | None

    @classmethod
    def of_rule(cls, rule: FieldRule, plan: DecodePlan) -> Choice:
        """Return the choice that `rule` describes."""
        ref = rule.sources[0]
        column = plan.column_of[ref.bus, ref.message, ref.signal]
        if rule.codes is None:
            return cls((column,), None, None)
        codes = sorted(rule.codes)
        return cls(
            (column,), np.array(codes, np.int64), np.array([rule.codes[code] for code in codes], np.int64)
        )

    def values(self, raw: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
        """Return int64[n] values for int64[n] raw values, and which codes mean something (None: all)."""
        if self.codes is None or self.meanings is None:
            return raw, None
        place = np.minimum(np.searchsorted(self.codes, raw), len(self.codes) - 1)
        return self.meanings[place], self.codes[place] == raw
