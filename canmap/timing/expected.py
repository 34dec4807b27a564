"""When a message has to come at all: while its conditions hold and its start-up is over.

In: the newest samples at each chunk. Out: for each stream of messages, where in the chunk it begins or
ceases to be awaited.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.timing.conditions import Condition, all_hold
from canmap.timing.newest import Moments

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.mapping.model import MessageRule
    from canmap.signals.plan import DecodePlan
    from canmap.timing.newest import Newest

ALWAYS_NS = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class Changes:
    """How the awaiting of one stream goes on in a chunk: its state before, and each change.

    Attributes:
        rows: intp[k], frames of the chunk that change it, ascending.
        clock: int64[k], session clock of each.
        awaited: bool[k + 1], whether the stream is awaited before the first change and after each.
        since_ns: int64[k + 1], session clock from which on it then is.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    awaited: NDArray[np.bool_]
    since_ns: NDArray[np.int64]


class Activity:
    """Follows the conditions of all streams.

    Args:
        plan: The decode plan.
        rules: One rule a stream.

    Attributes:
        streams: The streams that are not always awaited.
        columns: The columns that their conditions are about.
        awaited: bool[streams], the state so far.
        ever: bool[streams], whether it has been awaited at all.
        since_ns: int64[streams], session clock from which on it is awaited, ALWAYS_NS for always.
    """

    def __init__(self, plan: DecodePlan, rules: Sequence[MessageRule]) -> None:
        self.streams = tuple(
            stream for stream, rule in enumerate(rules) if rule.active_when or rule.start_up_ns
        )
        self._conditions = {
            stream: tuple(
                Condition.of(need, plan, holds_for_ns=None, own_frame_counts=False)
                for need in rules[stream].active_when
            )
            for stream in self.streams
        }
        self.columns = {one.column for conditions in self._conditions.values() for one in conditions}
        self._start_up_ns = np.array([rule.start_up_ns for rule in rules], np.int64)
        self.awaited = np.array([not rule.active_when for rule in rules], np.bool_)
        self.ever = self.awaited.copy()
        self.since_ns = np.full(len(rules), ALWAYS_NS)

    def start(self, start_ns: int) -> None:
        """Count the start-up of what has no conditions from `start_ns`, the begin of the session."""
        late = self.awaited & (self._start_up_ns > 0)
        self.since_ns[late] = start_ns + self._start_up_ns[late]

    def fold(self, stream: int, newest: Newest) -> Changes:
        """Take in the samples of a chunk and return what they change for a stream."""
        came, awaited = self._states(stream, newest)
        changed = awaited[1:] != awaited[:-1]
        rows, at = came.rows[changed], came.clock[changed]
        awaited = np.concatenate((awaited[:1], awaited[1:][changed]))
        since_ns = np.concatenate(([self.since_ns[stream]], at + self._start_up_ns[stream]))
        self.awaited[stream], self.since_ns[stream] = awaited[-1], since_ns[-1]
        self.ever[stream] |= awaited.any()
        return Changes(rows, at, awaited, since_ns)

    def _states(self, stream: int, newest: Newest) -> tuple[Moments, NDArray[np.bool_]]:
        """The frames that carry a conditional signal, and the state before the first and after each."""
        conditions = self._conditions[stream]
        came = newest.of_columns(condition.column for condition in conditions)
        if not len(came.rows):
            return came, self.awaited[stream : stream + 1]
        # What a frame brings counts from the next on, so the state after each is that before the next.
        end = Moments(np.append(came.rows, came.rows[-1] + 1), np.append(came.clock, came.clock[-1]))
        return came, all_hold(conditions, newest, end)
