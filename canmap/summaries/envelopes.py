"""Smallest and largest value of fields in bins of time, in memory that does not grow: what a curve needs.

When the bins become too many, two and two are joined. That loses nothing: an extreme of two bins is that of
their extremes, and counts add up. So the bins depend on the frames alone and not on how they were cut.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.records.columns import joined_columns
from canmap.stream.consumer import PATIENCE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.records.columns import FieldColumn
    from canmap.stream.view import View

    Values = NDArray[Any]  # float64, int64 or uint64, as in a `FieldColumn`

MOST_BINS = 1 << 11  # more than a screen has columns
FIRST_WIDTH_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class Envelope:
    """A field of a record over time.

    Attributes:
        low: [bins], smallest valid value in each bin: float64 in the field's unit (SI) for a quantity, int64
            or uint64 for a choice; 0 where none is valid.
        high: [bins], largest.
        valid: int64[bins], records in which it is valid.
    """

    low: Values
    high: Values
    valid: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RecordEnvelopes:
    """The wanted fields of a record over time.

    Attributes:
        start_ns: Session clock at which the first bin begins: that of the first frame.
        width_ns: Width of a bin. A clock is in the bin (clock - start_ns) // width_ns.
        count: int64[bins], records in each bin; the last bin is that of the newest frame.
        fields: By name.
    """

    start_ns: int
    width_ns: int
    count: NDArray[np.int64]
    fields: Mapping[str, Envelope]

    def share(self, field: str) -> NDArray[np.float64]:
        """Return the share of the records of each bin in which a field is valid; NaN where there is none."""
        count = np.where(self.count > 0, self.count, np.nan)
        return self.fields[field].valid / count


class Envelopes:
    """The envelopes of some fields; only for an engine that is asked for them.

    Args:
        fields: The names of the fields of each record, by its name.
        most_bins: Bins that are kept of each, an even number. They are as narrow as that allows, their width
            being `first_width_ns` times a power of two.
        first_width_ns: Width of a bin at first.
    """

    patience = PATIENCE

    def __init__(
        self,
        fields: Mapping[str, Iterable[str]],
        most_bins: int = MOST_BINS,
        first_width_ns: int = FIRST_WIDTH_NS,
    ) -> None:
        self._most_bins, self._width_ns = most_bins, first_width_ns
        self._start_ns: int | None = None
        self._now_ns = 0
        self._count = {name: np.zeros(most_bins, np.int64) for name in fields}
        self._fields = {name: {one: _Bins(most_bins) for one in names} for name, names in fields.items()}

    @property
    def parts(self) -> tuple[Self]:
        """Itself."""
        return (self,)

    def fold(self, views: Sequence[View]) -> None:
        """Take in the records of some chunks."""
        clocks = [view.clock for view in views if len(view.clock)]
        if not clocks:
            return
        if self._start_ns is None:
            self._start_ns = int(clocks[0][0])
        self._now_ns = int(clocks[-1][-1])
        while (self._now_ns - self._start_ns) // self._width_ns >= self._most_bins:
            self._widen()
        for name, fields in self._fields.items():
            chunks = [view.records[name] for view in views if name in view.records]
            if not chunks:
                continue
            place = (np.concatenate([chunk.clock_ns for chunk in chunks]) - self._start_ns) // self._width_ns
            np.add.at(self._count[name], place, 1)
            for one, bins in fields.items():
                bins.fold(joined_columns([chunk.columns[one] for chunk in chunks]), place)

    def _widen(self) -> None:
        self._width_ns *= 2
        for name, fields in self._fields.items():
            self._count[name] = _halved(self._count[name][0::2] + self._count[name][1::2])
            for bins in fields.values():
                bins.widen()

    def result(self) -> dict[str, RecordEnvelopes]:
        """Return the envelopes by record; bins up to the newest frame."""
        start_ns = self._start_ns or 0
        bins = 0 if self._start_ns is None else (self._now_ns - start_ns) // self._width_ns + 1
        return {
            name: RecordEnvelopes(
                start_ns,
                self._width_ns,
                self._count[name][:bins].copy(),
                {one: kept.envelope(bins) for one, kept in fields.items()},
            )
            for name, fields in self._fields.items()
        }


class _Bins:
    """The bins of one field; `low` and `high` mean something where `valid` is not 0."""

    def __init__(self, most_bins: int) -> None:
        self._valid = np.zeros(most_bins, np.int64)
        self._low: Values = np.zeros(most_bins)
        self._high: Values = np.zeros(most_bins)

    def fold(self, column: FieldColumn, place: NDArray[np.int64]) -> None:
        """Take in some records that lie in the bins `place`, which never step back."""
        values, place = column.values[column.valid], place[column.valid]
        if not len(values):
            return
        if not self._valid.any():  # what kind of numbers they are is known from the first
            self._low, self._high = (np.zeros(len(self._valid), values.dtype) for _ in range(2))
        start = np.flatnonzero(np.diff(place, prepend=-1))
        bins, counts = place[start], np.diff(start, append=len(place))
        low, high = np.minimum.reduceat(values, start), np.maximum.reduceat(values, start)
        self._low[bins], self._high[bins] = _extremes(
            (self._low[bins], self._high[bins], self._valid[bins]), (low, high, counts)
        )
        self._valid[bins] += counts

    def widen(self) -> None:
        """Join two and two bins."""
        even, odd = ((self._low[first::2], self._high[first::2], self._valid[first::2]) for first in range(2))
        low, high = _extremes(even, odd)
        self._low, self._high, self._valid = _halved(low), _halved(high), _halved(even[2] + odd[2])

    def envelope(self, bins: int) -> Envelope:
        """Return what is in the first bins."""
        return Envelope(self._low[:bins].copy(), self._high[:bins].copy(), self._valid[:bins].copy())


_Extremes = tuple["Values", "Values", "NDArray[np.int64]"]  # low, high, valid


def _extremes(one: _Extremes, other: _Extremes) -> tuple[Values, Values]:
    """Return smallest and largest of two times the same bins; never a negative 0, so that 0 has one name."""
    low = np.where(one[2] == 0, other[0], np.where(other[2] == 0, one[0], np.minimum(one[0], other[0])))
    high = np.where(one[2] == 0, other[1], np.where(other[2] == 0, one[1], np.maximum(one[1], other[1])))
    nothing = low.dtype.type(0)
    return low + nothing, high + nothing


def _halved(joined: Values) -> Values:
    """Return joined bins, and as many empty ones."""
    return np.concatenate((joined, np.zeros_like(joined)))
