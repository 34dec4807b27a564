"""What an inspection tells of messages and fields, gathered chunk by chunk in memory that does not grow.

Sums are kept in integers and medians in fixed bins, so that no cutting of the stream changes a digit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.stream.consumer import PATIENCE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.stream.view import View
    from canmap.timing.arrivals import Arrivals


BINS_PER_OCTAVE = 1 << 11
DIGITS = 4  # of a percentile: as many as its bin, a 2048th of it wide at most, can bear
_BLOCK_BITS = 9
BLOCK = 1 << _BLOCK_BITS  # bins that are made at once
_BLOCKS = 64 * BINS_PER_OCTAVE // BLOCK  # of a stream: for every gap that int64 holds
_BITS_BELOW = 52 - 11  # of the mantissa of a float64, below those that tell the bin
_FIRST_BIN = 1023 << 11  # of a gap of 1 ns


@dataclass(frozen=True, slots=True)
class Period:
    """How many frames of a message came, and how far apart, in ns; None where there are fewer than two.

    Attributes:
        frames: How many came.
        median_ns: The smallest gap that at least half of the gaps do not exceed, right to 0.1 %.
        p99_ns: The same for 99 %.
        longest_ns: The longest gap, exactly.
    """

    frames: int
    median_ns: float | None
    p99_ns: float | None
    longest_ns: int | None


class PeriodSummary:
    """Median, 99th percentile and maximum of the gaps of every stream.

    Gaps are counted in 2048 bins an octave, with the sum of the gaps in each. A percentile is the mean of the
    bin in which it falls, rounded to four significant digits: the first is off by less than the width of the
    bin, at most 1/2048 of the value, the second by at most 1/2000 of it; so both together by less than 0.1 %.
    A stream has bins only around the gaps that came, so that memory grows only with their spread.
    """

    patience = PATIENCE

    def __init__(self, streams: int) -> None:
        self._start = np.full(streams * _BLOCKS, -1, np.intp)  # where each block of bins begins, -1 for none
        self._count = np.zeros(0, np.int64)
        self._sum_ns = np.zeros(0, np.int64)
        self._longest_ns = np.zeros(streams, np.int64)
        self._frames = np.zeros(streams, np.int64)

    @property
    def parts(self) -> tuple[Self]:
        """Itself."""
        return (self,)

    def fold(self, views: Sequence[View]) -> None:
        """Count the gaps of some chunks."""
        self.count([view.arrivals for view in views])

    def count(self, arrivals: Sequence[Arrivals]) -> None:
        """Count the gaps of the arrivals of some chunks, at least one."""
        came = [part for part in arrivals if len(part.gap)]
        if not came:
            return
        for part in came:
            self._frames[part.streams] = part.seen + part.count
        unmeasured = [part.unmeasured() for part in came]
        parts = [_gaps(part, without) for part, without in zip(came, unmeasured, strict=True)]
        joined = parts[0] if len(parts) == 1 else map(np.concatenate, zip(*parts, strict=True))
        stream, frames, longest, gap = joined
        np.maximum.at(self._longest_ns, stream, longest)
        block = (stream * _BLOCKS).repeat(frames)
        if any(without is not None for without in unmeasured):
            counted = gap >= 0
            gap, block = gap[counted], block[counted]
        place = np.maximum(gap, 1).astype(np.float64).view(np.int64)
        place >>= _BITS_BELOW
        place -= _FIRST_BIN
        block += place >> _BLOCK_BITS
        place &= BLOCK - 1
        place += self._starts(block)
        np.add.at(self._count, place, 1)
        np.add.at(self._sum_ns, place, gap)

    def result(self) -> tuple[Period, ...]:
        """Return the period of every stream."""
        return tuple(map(self.period, range(len(self._longest_ns))))

    def _starts(self, block: NDArray[np.intp]) -> NDArray[np.intp]:
        """Where the bins of each block begin; those that are not there are made."""
        start = self._start.take(block)
        is_fresh = start < 0
        if not is_fresh.any():
            return start
        fresh = np.bincount(block[is_fresh]).nonzero()[0]  # np.unique would import all of numpy.ma
        self._start[fresh] = len(self._count) + BLOCK * np.arange(len(fresh))
        more = np.zeros(len(fresh) * BLOCK, np.int64)
        self._count = np.concatenate((self._count, more))
        self._sum_ns = np.concatenate((self._sum_ns, more))
        return self._start.take(block)

    def period(self, stream: int) -> Period:
        """Return what is known of a stream."""
        start = self._start[stream * _BLOCKS : (stream + 1) * _BLOCKS]
        bins = (start[start >= 0, np.newaxis] + np.arange(BLOCK)).ravel()
        frames = int(self._frames[stream])
        if not len(bins):
            return Period(frames, None, None, None)
        total = np.cumsum(self._count[bins])
        longest_ns = int(self._longest_ns[stream])

        def percentile(share: float) -> float:
            place = bins[np.searchsorted(total, max(1.0, share * float(total[-1])))]
            mean = float(self._sum_ns[place]) / float(self._count[place])
            return min(float(f"{mean:.{DIGITS}g}"), float(longest_ns))

        return Period(frames, percentile(0.5), percentile(0.99), longest_ns)


def _gaps(
    arrivals: Arrivals, unmeasured: NDArray[np.intp] | None
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int64], NDArray[np.int64]]:
    """The streams of a chunk, the frames and longest gap of each, and all gaps: -1 where it is not one."""
    gap, longest = arrivals.gap, arrivals.longest
    if unmeasured is not None:
        gap = gap.copy()
        gap[unmeasured] = -1
        longest = np.maximum.reduceat(gap, arrivals.start)
    return arrivals.streams, arrivals.count, longest, gap
