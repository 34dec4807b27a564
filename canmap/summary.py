"""What an inspection tells of messages and fields, gathered chunk by chunk in memory that does not grow.

Sums are kept in integers and medians in fixed bins, so that no cutting of the stream changes a digit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.arrivals import Arrivals
    from canmap.records.columns import FieldColumn, RecordChunk

BINS_PER_OCTAVE = 1 << 11
DIGITS = 4  # of a percentile: as many as its bin, a 2048th of it wide at most, can bear
BLOCK = 1 << 9  # bins that are made at once
_BLOCKS = 64 * BINS_PER_OCTAVE // BLOCK  # of a stream: for every gap that int64 holds
_BITS_BELOW = 52 - 11  # of the mantissa of a float64, below those that tell the bin
_FIRST_BIN = 1023 << 11  # of a gap of 1 ns


@dataclass(frozen=True, slots=True)
class Period:
    """How far apart the frames of a message came, in ns; None where there are fewer than two.

    Attributes:
        median_ns: The smallest gap that at least half of the gaps do not exceed, right to 0.1 %.
        p99_ns: The same for 99 %.
        longest_ns: The longest gap, exactly.
    """

    median_ns: float | None
    p99_ns: float | None
    longest_ns: int | None


class PeriodSummary:
    """Median, 99th percentile and maximum of the gaps of every stream.

    Gaps are counted in 2048 bins an octave, with the sum of the gaps in each. A percentile is the mean of the
    bin in which it falls, rounded to four significant digits: the first is off by less than the width of the
    bin, at most 1/2048 of the value, the second by at most 1/2000 of it; so both together by less than 0.1 %.
    A stream has bins only around the gaps that came, so that memory grows with their spread alone.
    """

    def __init__(self, streams: int) -> None:
        self._start = np.full(streams * _BLOCKS, -1, np.intp)  # where each block of bins begins, -1 for none
        self._count = np.zeros(0, np.int64)
        self._sum_ns = np.zeros(0, np.int64)
        self._longest_ns = np.zeros(streams, np.int64)

    def fold(self, arrivals: Arrivals) -> None:
        """Count the gaps of a chunk."""
        if not len(arrivals.gap):
            return
        gap = arrivals.gap
        block = np.repeat(arrivals.streams * _BLOCKS, arrivals.count)
        unmeasured = arrivals.unmeasured()
        if unmeasured is not None:
            gap = gap.copy()
            gap[unmeasured] = -1
        self._longest_ns[arrivals.streams] = np.maximum(
            self._longest_ns[arrivals.streams], np.maximum.reduceat(gap, arrivals.start)
        )
        if unmeasured is not None:
            counted = gap >= 0
            gap, block = gap[counted], block[counted]
        place = np.maximum(gap, 1).astype(np.float64).view(np.int64)
        place >>= _BITS_BELOW
        place -= _FIRST_BIN
        block += place // BLOCK
        place %= BLOCK
        place += self._starts(block)
        np.add.at(self._count, place, 1)
        np.add.at(self._sum_ns, place, gap)

    def _starts(self, block: NDArray[np.intp]) -> NDArray[np.intp]:
        """Where the bins of each block begin; those that are not there are made."""
        start = self._start[block]
        fresh = np.unique(block[start < 0])
        if not len(fresh):
            return start
        self._start[fresh] = len(self._count) + BLOCK * np.arange(len(fresh))
        more = np.zeros(len(fresh) * BLOCK, np.int64)
        self._count = np.concatenate((self._count, more))
        self._sum_ns = np.concatenate((self._sum_ns, more))
        return self._start[block]

    def period(self, stream: int) -> Period:
        """Return what is known of a stream."""
        start = self._start[stream * _BLOCKS : (stream + 1) * _BLOCKS]
        bins = (start[start >= 0, np.newaxis] + np.arange(BLOCK)).ravel()
        if not len(bins):
            return Period(None, None, None)
        total = np.cumsum(self._count[bins])
        longest_ns = int(self._longest_ns[stream])

        def percentile(share: float) -> float:
            place = bins[np.searchsorted(total, max(1.0, share * float(total[-1])))]
            mean = float(self._sum_ns[place]) / float(self._count[place])
            return min(float(f"{mean:.{DIGITS}g}"), float(longest_ns))

        return Period(percentile(0.5), percentile(0.99), longest_ns)


@dataclass(slots=True)
class FieldSummary:
    """Span of the valid values of one field.

    Attributes:
        valid: Records in which it is valid.
        low: Smallest; None for a choice.
        high: Largest; None for a choice.
        last: Value in the last record, None where invalid there.
        total: Their exact sum, in 2^-1074, of which every float64 is a whole multiple.
    """

    valid: int = 0
    low: float | None = None
    high: float | None = None
    last: float | None = None
    total: int = 0

    def fold(self, column: FieldColumn) -> None:
        """Take in the values of a chunk."""
        self.last = column.values[-1].item() if column.valid[-1] else None
        valid = int(np.count_nonzero(column.valid))
        self.valid += valid
        if not valid or column.values.dtype != np.float64:
            return
        values = column.values.astype(np.float64, copy=False)
        values = values if valid == len(values) else values[column.valid]
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
        rest, left = values[start : start + _SUMMED_AT_ONCE], largest
        while left:
            # Adding this rounds to multiples of 2^-35 of the power of two above the largest.
            rounder = math.ldexp(1.5, math.frexp(left)[1] + _ROOM_BITS)
            top = rest + rounder
            top -= rounder
            total += _units(float(top.sum()))
            rest = rest - top
            left = max(float(rest.max()), -float(rest.min()))
    return total


def _units(value: float) -> int:
    """Return a value in 2^-1074."""
    numerator, denominator = value.as_integer_ratio()
    return numerator << (_UNIT_BITS + 1 - denominator.bit_length())


@dataclass(slots=True)
class RecordSummary:
    """How many records of one kind came, and the span of their fields."""

    count: int = 0
    fields: dict[str, FieldSummary] = field(default_factory=dict)

    def fold(self, chunk: RecordChunk) -> None:
        """Take in the records of a chunk."""
        self.count += len(chunk)
        for name, column in chunk.columns.items():
            self.fields.setdefault(name, FieldSummary()).fold(column)
