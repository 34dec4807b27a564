"""Where a rate is off: the gaps between frames that are off by more than the tolerance, window by window.

A run is a row of such gaps without another between. A disturbance seldom begins or ends with a window: it
does with a run, be it in the window before or in the one after.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.timing.arrivals import NO_FRAMES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.timing.arrivals import Arrivals

TOLERATED = (1, 5)  # of the promised period, as a fraction
NONE_NS = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class OffSpans:
    """The gaps that are off in each of n windows; NONE_NS where there is none.

    Attributes:
        first_ns: int64[n], where the run of the first of them begins, be it in an earlier window.
        last_ns: int64[n], where the last of them ends.
        lead_ns: int64[n], where the run ends with which the window begins; its begin, or none, if with none.
    """

    first_ns: NDArray[np.int64]
    last_ns: NDArray[np.int64]
    lead_ns: NDArray[np.int64]

    def of(self, which: NDArray[np.bool_] | slice) -> OffSpans:
        """Return those of some of the windows."""
        return OffSpans(self.first_ns[which], self.last_ns[which], self.lead_ns[which])


@dataclass(frozen=True, slots=True)
class _Runs:
    """The gaps that are off in a chunk, d of them.

    Attributes:
        at: intp[d], the frames that end them.
        start_ns: int64[d], where the run of each begins.
        stop_ns: int64[d], where the run of each ends, as far as the chunk goes.
    """

    at: NDArray[np.intp]
    start_ns: NDArray[np.int64]
    stop_ns: NDArray[np.int64]


class OffGaps:
    """Keeps of every stream where the gaps of its open window are off.

    Args:
        period_ns: int64[streams], promised period; 0: no gap is off.
    """

    def __init__(self, period_ns: NDArray[np.int64]) -> None:
        tolerated = period_ns * TOLERATED[0] // TOLERATED[1]
        self._least_ns = period_ns - tolerated
        self._most_ns = np.where(period_ns > 0, period_ns + tolerated, np.iinfo(np.int64).max)
        self._run_ns = np.full(len(period_ns), NONE_NS, np.int64)  # where the run of the newest gap began
        self._first_ns, self._last_ns, self._lead_ns = (self._run_ns.copy() for _ in range(3))

    def fold(
        self,
        arrivals: Arrivals,
        begins: NDArray[np.intp],
        reset: NDArray[np.bool_],
        longest_ns: NDArray[np.int64],
    ) -> OffSpans:
        """Return the gaps that are off in the windows that the chunk closed, and keep those of the open ones.

        Args:
            arrivals: The frames of the chunk.
            begins: intp[b], the frames with which a window begins, so that one closes.
            reset: bool[m], frames before which no gap is judged; a window begins with each.
            longest_ns: int64[p], the longest gap of each stream of the chunk.
        """
        streams, start = arrivals.streams, arrivals.start
        at = self._off(arrivals, longest_ns)
        at = at[~reset[at]]
        if not len(at) and not (self._first_ns[streams] != NONE_NS).any():
            return self._none(arrivals, begins)
        runs = self._runs(arrivals, at)
        # The windows that are closed, then the one of each stream that stays open.
        ends = start + arrivals.count - 1
        place = np.searchsorted(start, begins, side="right") - 1
        closed = np.searchsorted(begins, start), np.searchsorted(begins, ends, side="right")
        carried = np.zeros(len(begins), np.bool_)
        carried[closed[0][closed[0] < closed[1]]] = True
        carried = np.concatenate((carried, closed[0] == closed[1]))
        place = np.concatenate((place, np.arange(len(start))))
        before = np.concatenate(([0], begins))
        first_frame = np.concatenate((before[:-1], before[closed[1]]))
        first_frame[carried] = start[place[carried]] - 1
        last_frame = np.concatenate((begins, ends))
        spans = self._spans(arrivals, runs, (first_frame, last_frame), np.where(carried, streams[place], -1))
        still = spans.of(slice(len(begins), None))
        self._first_ns[streams], self._last_ns[streams] = still.first_ns, still.last_ns
        self._lead_ns[streams] = still.lead_ns
        return spans.of(slice(len(begins)))

    def _none(self, arrivals: Arrivals, begins: NDArray[np.intp]) -> OffSpans:
        """What there is where no gap is off in the chunk, and none was in the open windows."""
        place = np.searchsorted(arrivals.start, begins, side="right") - 1
        self._lead_ns[arrivals.streams[place]] = arrivals.clock[begins]  # the last of each stream stays
        self._run_ns[arrivals.streams] = NONE_NS
        none_ns = np.full(len(begins), NONE_NS, np.int64)
        return OffSpans(none_ns, none_ns, none_ns)

    def _runs(self, arrivals: Arrivals, at: NDArray[np.intp]) -> _Runs:
        """The gaps of a chunk that are off; keeps the runs that reach its end."""
        start_ns = arrivals.clock[at] - arrivals.gap[at]
        place = np.searchsorted(arrivals.start, at, side="right") - 1
        opens = at == arrivals.start[place]  # its stream in this chunk
        begun_ns = self._run_ns[arrivals.streams[place]]
        start_ns = np.where(opens & (begun_ns != NONE_NS), begun_ns, start_ns)
        heads = opens.copy()
        heads[:1] = True
        heads[1:] |= np.diff(at) != 1
        number = np.cumsum(heads) - 1
        tails = np.concatenate((np.flatnonzero(heads)[1:] - 1, [len(at) - 1])) if len(at) else at
        runs = _Runs(at, start_ns[heads][number], arrivals.clock[at[tails]][number])
        self._run_ns[arrivals.streams] = NONE_NS
        reaching = at == (arrivals.start + arrivals.count - 1)[place]
        self._run_ns[arrivals.streams[place[reaching]]] = runs.start_ns[reaching]
        return runs

    def _off(self, arrivals: Arrivals, longest_ns: NDArray[np.int64]) -> NDArray[np.intp]:
        """The frames before which a gap is off; a stream that has none costs two numbers."""
        streams, start, gap = arrivals.streams, arrivals.start, arrivals.gap
        least_ns, most_ns = self._least_ns[streams], self._most_ns[streams]
        some = np.minimum.reduceat(gap, start) < least_ns
        some |= longest_ns > most_ns
        found = [NO_FRAMES]
        for i in np.flatnonzero(some).tolist():
            begin = int(start[i])
            own = gap[begin : begin + int(arrivals.count[i])]
            found.append(np.flatnonzero((own < least_ns[i]) | (own > most_ns[i])) + begin)
        return np.concatenate(found)

    def _spans(
        self,
        arrivals: Arrivals,
        runs: _Runs,
        frames: tuple[NDArray[np.intp], NDArray[np.intp]],
        carried: NDArray[np.intp],
    ) -> OffSpans:
        """The gaps that are off from frame to frame; `carried`: streams of windows that went on, or -1."""
        begin, end = frames
        goes_on = carried >= 0
        lo = np.searchsorted(runs.at, begin + 1)
        stop = np.searchsorted(runs.at, end, side="right")
        there = np.flatnonzero(lo < stop)
        first, last = lo[there], stop[there] - 1
        first_ns = np.where(goes_on, self._first_ns[carried], NONE_NS)
        last_ns = np.where(goes_on, self._last_ns[carried], NONE_NS)
        lead_ns = np.where(goes_on, self._lead_ns[carried], arrivals.clock[begin])
        last_ns[there] = arrivals.clock[runs.at[last]]
        is_first = first_ns[there] == NONE_NS
        first_ns[there[is_first]] = runs.start_ns[first[is_first]]
        at = runs.at[first]
        leads = (at == begin[there] + 1) & (lead_ns[there] == arrivals.clock[at] - arrivals.gap[at])
        lead_ns[there[leads]] = runs.stop_ns[first[leads]]
        return OffSpans(first_ns, last_ns, lead_ns)
