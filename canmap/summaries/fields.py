"""Count, span and mean of each field of each record, in memory that does not grow."""

from __future__ import annotations

import math
from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.stream.consumer import PATIENCE
from canmap.summaries.alive import Alive, RecordTimes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.records.columns import FieldColumn, RecordChunk
    from canmap.stream.view import View
    from canmap.summaries.alive import Lifetimes


@dataclass(slots=True)
class FieldSummary:
    """Span of the valid values of one field.

    Attributes:
        valid: Records in which it is valid.
        low: Smallest; None for a choice.
        high: Largest; None for a choice.
        last: Value in the last record, None where invalid there.
        total: Their exact sum, in 2^-1074, of which every float64 is a whole multiple.
        alive: For how long the newest one could be used.
    """

    valid: int = 0
    low: float | None = None
    high: float | None = None
    last: float | None = None
    total: int = 0
    alive: Alive = field(default_factory=Alive)

    def fold(self, times: RecordTimes, columns: Sequence[FieldColumn]) -> None:
        """Take in the next stretches of records, at least one record in all, which came at `times`."""
        values, is_valid = columns[0].values, columns[0].valid
        if len(columns) > 1:
            values = np.concatenate([column.values for column in columns])
            is_valid = np.concatenate([column.valid for column in columns])
        self.alive.fold(times, columns, is_valid)
        self.last = values[-1].item() if is_valid[-1] else None
        valid = int(np.count_nonzero(is_valid))
        self.valid += valid
        if not valid or values.dtype != np.float64:
            return
        values = values.astype(np.float64, copy=False)
        values = values if valid == len(values) else values[is_valid]
        low, high = float(values.min()), float(values.max())
        self.low = low if self.low is None else min(self.low, low)
        self.high = high if self.high is None else max(self.high, high)
        self.total += exact_sum(values, max(high, -low))

    @property
    def mean(self) -> float | None:
        """Mean of the valid values, rounded once, so that it never lies beyond the smallest and largest."""
        return self.total / (self.valid << _UNIT_BITS) if self.valid else None


_UNIT_BITS = 1074  # the smallest float64 above zero is 2^-1074
_SUMMABLE = 2.0**960  # what is larger is summed one by one
_SUMMED_AT_ONCE = 1 << 16
_ROOM_BITS = 17  # above a value, so that the sum of as many as are summed at once is exact
_LEFT_BITS = 36  # by so much smaller is what is left of a value once its topmost bits are taken away


def exact_sum(values: NDArray[np.float64], largest: float) -> int:
    """Return the exact sum of float64[n] finite values, none larger than `largest`, in 2^-1074.

    The topmost bits of all values are summed, then those below them, until nothing is left: as multiples of
    one power of two that in sum stay below 2^53 of it, they are exact in whatever order numpy sums them.
    """
    total = 0
    if largest >= _SUMMABLE:
        is_large = np.abs(values) >= _SUMMABLE
        total += sum(map(_units, values[is_large].tolist()))
        values = np.where(is_large, 0.0, values)
        largest = float(np.abs(values).max())
    for start in range(0, len(values), _SUMMED_AT_ONCE):
        rest = values[start : start + _SUMMED_AT_ONCE]
        exponent = math.frexp(largest)[1]
        while rest.any():
            # Adding this rounds to multiples of 2^-35 of the power of two above the largest.
            rounder = math.ldexp(1.5, exponent + _ROOM_BITS)
            top = rest + rounder
            top -= rounder
            total += _units(float(top.sum()))
            rest = rest - top
            exponent -= _LEFT_BITS
    return total


def _units(value: float) -> int:
    """Return a value in 2^-1074."""
    numerator, denominator = value.as_integer_ratio()
    return numerator << (_UNIT_BITS + 1 - denominator.bit_length())


@dataclass(slots=True)
class RecordSummary:
    """How many records of one kind came, and the span of their fields.

    Attributes:
        name: As the spec names the record.
        lifetimes: How long its values live.
        fields: The span of each field.
        count: How many records came.
    """

    name: str
    lifetimes: Lifetimes
    fields: dict[str, FieldSummary]
    count: int = 0
    patience: int = PATIENCE

    def fold(self, views: Sequence[View]) -> None:
        """Take in the records of some chunks."""
        chunks: list[RecordChunk] = []
        for view in views:
            for hole in view.holes:
                if hole.channel == self.lifetimes.channel:
                    self._take(chunks)
                    chunks = []
                    for summary in self.fields.values():
                        summary.alive.cut(hole.start_ns)
            if self.name in view.records:
                chunks.append(view.records[self.name])
        self._take(chunks)

    def _take(self, chunks: Sequence[RecordChunk]) -> None:
        """Take in records between which there is no hole."""
        if not chunks:
            return
        self.count += sum(map(len, chunks))
        clock = chunks[0].clock_ns
        if len(chunks) > 1:
            clock = np.concatenate([chunk.clock_ns for chunk in chunks])
        times = RecordTimes(clock, self.lifetimes.stale_after_ns)
        for name, summary in self.fields.items():
            summary.fold(times, [chunk.columns[name] for chunk in chunks])


class RecordSummaries:
    """The summary of every record of a spec.

    Args:
        lifetimes: How long the values of each record live, all its fields, by its name.
    """

    def __init__(self, lifetimes: Mapping[str, Lifetimes]) -> None:
        self._by_name = {
            name: RecordSummary(
                name, lives, {one: FieldSummary(alive=Alive(age)) for one, age in lives.max_age_ns.items()}
            )
            for name, lives in lifetimes.items()
        }

    @property
    def parts(self) -> tuple[RecordSummary, ...]:
        """The summary of each record, so that not all have their turn at once."""
        return tuple(self._by_name.values())

    def result(self) -> dict[str, RecordSummary]:
        """Return the summaries by name."""
        return self._by_name
