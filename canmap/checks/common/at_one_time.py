"""Two values at one time, although they are sent at different moments and the second lags by a known time.

The second is told at moments of its own. Where its messages are cyclic, its value between two of them lies on
the straight line between theirs; else it is the last one before. So a sample of the first waits until the
second has come that far, or can no longer come in time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

OLDEST_HELD_NS = 1_000_000_000  # of a value that a record holds for ever, older ones are not compared


@dataclass(frozen=True, slots=True)
class TimedValues:
    """Values of one signal or field, in the order in which they came.

    Attributes:
        clock: int64[n], session clock of the frame or the record of each.
        age_ns: int64[n], how much earlier it had been sampled, -1 where none ever was.
        value: float64[n], not a number where it is no value.
        line: int64[n], line of the capture.
    """

    clock: NDArray[np.int64]
    age_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    line: NDArray[np.int64]

    @property
    def sampled_ns(self) -> NDArray[np.int64]:
        """int64[n], session clock at which each had been sampled."""
        return self.clock - self.age_ns

    def at(self, rows: slice | NDArray[np.bool_]) -> TimedValues:
        """Return some of them."""
        return TimedValues(self.clock[rows], self.age_ns[rows], self.value[rows], self.line[rows])

    def joined(self, later: TimedValues) -> TimedValues:
        """Return these and later ones."""
        return TimedValues(
            np.concatenate((self.clock, later.clock)),
            np.concatenate((self.age_ns, later.age_ns)),
            np.concatenate((self.value, later.value)),
            np.concatenate((self.line, later.line)),
        )


NONE_TIMED = TimedValues(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64))


@dataclass(frozen=True, slots=True)
class ComparedValues:
    """Samples of a first value, and what the second was at their time.

    Attributes:
        clock: int64[n], session clock of each.
        line: int64[n], line of the capture.
        first: float64[n].
        second: float64[n].
        size: float64[n], the largest number that the second was made of.
    """

    clock: NDArray[np.int64]
    line: NDArray[np.int64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    size: NDArray[np.float64]


class AtOneTime:
    """What is compared of a pair whose second value lags.

    Args:
        lag_ns: By how much later the second tells the same, negative where it is earlier.
        holds_ns: The longest time between two of the second, None for any.
        cyclic: Whether the second is told so often that a straight line lies between two; needs `holds_ns`.
    """

    def __init__(self, lag_ns: int, holds_ns: int | None, *, cyclic: bool) -> None:
        self._lag_ns = lag_ns
        self._holds_ns = holds_ns
        self._cyclic = cyclic and holds_ns is not None
        self._waiting = self._second = NONE_TIMED

    def take(self, first: TimedValues, second: TimedValues, now_ns: int) -> ComparedValues:
        """Return the samples of the first that can be compared by now, and were not before.

        Args:
            first: Those that a chunk has of the first.
            second: Those of the second.
            now_ns: Session clock, the chunk included.
        """
        young = ~np.isnan(first.value) & (first.age_ns <= OLDEST_HELD_NS)
        waiting = self._waiting.joined(first.at(young))
        known = self._second = self._second.joined(self._new(second))
        target = waiting.sampled_ns + self._lag_ns
        ripe = int(target.searchsorted(self._complete_until(now_ns), side="right"))
        self._waiting = waiting.at(slice(ripe, None))
        self._forget(target[ripe:], now_ns)
        value, size = self._at(target[:ripe], known)
        told = ~np.isnan(value)
        there = waiting.at(slice(ripe)).at(told)
        return ComparedValues(there.clock, there.line, there.value, value[told], size[told])

    def _new(self, second: TimedValues) -> TimedValues:
        """Those that were sampled since the one before; where the last one counts, all, as they stand."""
        if not self._cyclic:
            return TimedValues(second.clock, np.zeros_like(second.age_ns), second.value, second.line)
        second = second.at(second.age_ns >= 0)
        sampled_ns = second.sampled_ns
        before_ns = self._second.sampled_ns[-1:] if len(self._second.clock) else sampled_ns[:1] - 1
        return second.at(np.diff(sampled_ns, prepend=before_ns) > 0)

    def _complete_until(self, now_ns: int) -> int:
        """Up to when nothing that still comes can change what the second was."""
        if not self._cyclic or self._holds_ns is None:
            return now_ns
        too_late_ns = now_ns - self._holds_ns - 1
        newest = self._second.sampled_ns[-1:]
        return max(too_late_ns, int(newest[0])) if len(newest) else too_late_ns

    def _at(
        self, target: NDArray[np.int64], known: TimedValues
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the second at moments of the session clock, NaN where it is not known, and its size."""
        after = known.sampled_ns.searchsorted(target)
        there = after > 0
        if self._cyclic:
            there &= after < len(known.clock)
        value, size = np.full(len(target), np.nan), np.zeros(len(target))
        high, at = after[there], target[there]
        low = high - 1
        began = known.sampled_ns[low]
        if not self._cyclic or self._holds_ns is None:
            old = np.zeros(len(at), np.bool_) if self._holds_ns is None else at - began > self._holds_ns
            value[there] = np.where(old, np.nan, known.value[low])
            size[there] = np.abs(known.value[low])
            return value, size
        span = known.sampled_ns[high] - began
        line = known.value[low] + (known.value[high] - known.value[low]) * ((at - began) / span)
        line = np.where(at == began + span, known.value[high], line)
        apart = (span > self._holds_ns) | (known.clock[high] - at > self._holds_ns)
        value[there] = np.where(apart, np.nan, line)
        size[there] = np.maximum(np.abs(known.value[low]), np.abs(known.value[high]))
        return value, size

    def _forget(self, target: NDArray[np.int64], now_ns: int) -> None:
        """Drop what lies before all that may still be asked for, but the last of it."""
        asked_ns = min([now_ns + self._lag_ns - OLDEST_HELD_NS, *target[:1].tolist()])
        first = max(int(self._second.sampled_ns.searchsorted(asked_ns)) - 1, 0)
        self._second = self._second.at(slice(first, None))
