"""When a message has to come at all: while its conditions hold and its start-up is over.

In: the decoded samples of each chunk. Out: for each stream of messages, where in the chunk it begins or
ceases to be awaited. A condition goes by the newest value of its signal, however old; before the first it
does not hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.signals.extract import among

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.mapping.model import Condition, MessageRule
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan

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
        awaited: bool[streams], the state so far.
        ever: bool[streams], whether it has been awaited at all.
        since_ns: int64[streams], session clock from which on it is awaited, ALWAYS_NS for always.
    """

    def __init__(self, plan: DecodePlan, rules: Sequence[MessageRule]) -> None:
        self.streams = tuple(
            stream for stream, rule in enumerate(rules) if rule.active_when or rule.start_up_ns
        )
        self._tests = {stream: _tests(rules[stream].active_when, plan) for stream in self.streams}
        self._holds = {stream: np.zeros(len(self._tests[stream]), np.bool_) for stream in self.streams}
        self._start_up_ns = np.array([rule.start_up_ns for rule in rules], np.int64)
        self.awaited = np.array([not rule.active_when for rule in rules], np.bool_)
        self.ever = self.awaited.copy()
        self.since_ns = np.full(len(rules), ALWAYS_NS)

    def start(self, start_ns: int) -> None:
        """Count the start-up of what has no conditions from `start_ns`, the begin of the session."""
        late = self.awaited & (self._start_up_ns > 0)
        self.since_ns[late] = start_ns + self._start_up_ns[late]

    def fold(self, stream: int, samples: Samples, clock: NDArray[np.int64]) -> Changes:
        """Take in the samples of a chunk and return what they change for a stream."""
        rows, awaited = self._states(stream, samples)
        changed = awaited[1:] != awaited[:-1]
        rows = rows[changed]
        at = clock[rows]
        awaited = np.concatenate((awaited[:1], awaited[1:][changed]))
        since_ns = np.concatenate(([self.since_ns[stream]], at + self._start_up_ns[stream]))
        self.awaited[stream], self.since_ns[stream] = awaited[-1], since_ns[-1]
        self.ever[stream] |= awaited.any()
        return Changes(rows, at, awaited, since_ns)

    def _states(self, stream: int, samples: Samples) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """The frames that carry a conditional signal, and the state before the first and after each."""
        before = self.awaited[stream : stream + 1]
        tests = self._tests[stream]
        starts = samples.column_start
        present = [test for test, (column, _) in enumerate(tests) if starts[column] < starts[column + 1]]
        if not present:
            return np.zeros(0, np.intp), before
        positions = {test: samples.positions(tests[test][0]) for test in present}
        rows = np.unique(np.concatenate(list(positions.values())))
        holds = self._holds[stream]
        awaited = np.full(len(rows), all(holds[test] for test in range(len(tests)) if test not in present))
        for test in present:
            newest = np.searchsorted(positions[test], rows, side="right")
            values = np.concatenate((holds[test : test + 1], _holding(samples, *tests[test])))
            awaited &= values[newest]
            holds[test] = values[-1]
        return rows, np.concatenate((before, awaited))


_Test = tuple[int, tuple[tuple[int, int], ...]]  # a column, and the raw ranges that it must lie in


def _tests(conditions: Sequence[Condition], plan: DecodePlan) -> tuple[_Test, ...]:
    return tuple(
        (plan.column_of[need.ref.bus, need.ref.message, need.ref.signal], need.accepts) for need in conditions
    )


def _holding(samples: Samples, column: int, accepts: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
    """Which samples of a column lie in one of the ranges; one that its payload does not hold does not."""
    holds = among(samples.values(column), samples.plan.columns[column].kind, accepts)
    if samples.valid is not None:
        holds &= samples.valid[samples.column_start[column] : samples.column_start[column + 1]]
    return holds
