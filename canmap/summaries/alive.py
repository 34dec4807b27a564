"""For how long the newest value of a field could be used: what a program sees that acts on the newest record.

A value is alive from its record until the next one of its kind comes, but not past what is stale: neither for
longer than the record's message may be silent, nor past the age that the field allows. Times are whole ns, so
that no cutting of the stream changes a digit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.records.columns import FieldColumn

_NEVER_NS = 1 << 63  # later than any clock


@dataclass(frozen=True, slots=True)
class Lifetimes:
    """How long the values of a record live.

    Attributes:
        channel: The channel that the message comes on which stamps the record.
        stale_after_ns: Silence from which on that message is stale, None for never.
        max_age_ns: By field: the age from which on a value is dead, None for never.
    """

    channel: str
    stale_after_ns: int | None
    max_age_ns: Mapping[str, int | None]


@dataclass(frozen=True, slots=True)
class Extent:
    """What of the session is covered of the channel of a record.

    Attributes:
        covered_ns: Time from the first frame of the session to the last, without holes.
        until_ns: Session clock up to which it is covered.
        end_ns: Session clock at the last frame.
    """

    covered_ns: int
    until_ns: int
    end_ns: int


class RecordTimes:
    """When some records of one kind came, at least one, and how long each may stand.

    Args:
        clock: int64[n], session clock of each.
        stale_after_ns: As in `Lifetimes`.

    Attributes:
        spans: int64[n-1], time from each to the next, but no longer than `stale_after_ns`.
        total_ns: Sum of them.
        longest_ns: The longest of them.
    """

    def __init__(self, clock: NDArray[np.int64], stale_after_ns: int | None) -> None:
        self.first_ns, self.last_ns = int(clock[0]), int(clock[-1])
        self.stale_after_ns = _NEVER_NS if stale_after_ns is None else stale_after_ns
        self.spans = np.diff(clock)
        if stale_after_ns is not None:
            np.minimum(self.spans, stale_after_ns, out=self.spans)
        self.total_ns = int(self.spans.sum())
        self.longest_ns = int(self.spans.max(initial=0))


@dataclass(slots=True)
class Alive:
    """For how long the values of one field were alive.

    Attributes:
        max_age_ns: Age from which on a value is dead, None for never.
        past_ns: For how long those were that another record followed.
        value_ns: Session clock of the value in the last record, None where that has none.
        since_ns: Session clock of that record, 0 where it has none.
        dies_ns: Session clock from which on that value is dead, 0 where it has none.
    """

    max_age_ns: int | None = None
    past_ns: int = 0
    value_ns: int | None = None
    since_ns: int = 0
    dies_ns: int = 0

    def fold(self, times: RecordTimes, columns: Sequence[FieldColumn], valid: NDArray[np.bool_]) -> None:
        """Take in the next records: their column, in pieces, and bool[n] where it is valid."""
        self.past_ns = self._until(times.first_ns)
        spans = self._spans(times, columns)
        everything = spans is times.spans and bool(valid.all())
        self.past_ns += times.total_ns if everything else int(spans[valid[:-1]].sum())
        self.value_ns, self.since_ns, self.dies_ns = None, 0, 0
        if valid[-1]:
            self.since_ns = times.last_ns
            self.value_ns = self.since_ns - int(columns[-1].age_ns[-1])
            self.dies_ns = self.since_ns + times.stale_after_ns
            if self.max_age_ns is not None:
                self.dies_ns = min(self.dies_ns, self.value_ns + self.max_age_ns)

    def _spans(self, times: RecordTimes, columns: Sequence[FieldColumn]) -> NDArray[np.int64]:
        """int64[n-1]: for how long each value but the last may live."""
        if self.max_age_ns is None:
            return times.spans
        age_ns = columns[0].age_ns
        if len(columns) > 1:
            age_ns = np.concatenate([column.age_ns for column in columns])
        if int(age_ns.max()) + times.longest_ns <= self.max_age_ns:
            return times.spans
        spans: NDArray[np.int64] = np.minimum(times.spans, self.max_age_ns - age_ns[:-1])
        return spans

    def cut(self, hole_ns: int) -> None:
        """Let nothing live past where a hole begins: nobody knows what came in it."""
        self.dies_ns = min(self.dies_ns, hole_ns)

    def _until(self, clock_ns: int) -> int:
        """For how long its values were alive up to a session clock that is not before the last record."""
        if self.value_ns is None:
            return self.past_ns
        return self.past_ns + max(min(clock_ns, self.dies_ns) - self.since_ns, 0)

    def in_all_ns(self, extent: Extent) -> int:
        """Return for how long its values were alive in the session."""
        return self._until(extent.until_ns)

    def share(self, extent: Extent) -> float | None:
        """Return that as a share of what is covered of the session; None where that has no length."""
        return self.in_all_ns(extent) / extent.covered_ns if extent.covered_ns else None

    def age_ns(self, extent: Extent) -> int | None:
        """Return how old the value in the last record is when the session ends; None where it has none."""
        return None if self.value_ns is None else extent.end_ns - self.value_ns

    def is_dead(self, extent: Extent) -> bool:
        """Tell whether the value in the last record is dead by the end of the session."""
        return self.value_ns is not None and extent.end_ns > self.dies_ns
