"""The course of a signal that reports a state: which state each sample shows, and since when that lasts.

Nothing is known across a gap: after a silence longer than the message's `stale_after`, and after a hole in
the recording, the first sample shows a state that may have begun at any time before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.mapping.model import Trigger
from canmap.signals.extract import no_data, patterns

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.refs import SignalRef
    from canmap.stream.view import View


class LastState(NamedTuple):
    """What is carried from chunk to chunk: the newest sample.

    Attributes:
        state: Its raw value.
        clock_ns: Session clock of it.
        since_ns: Session clock of the first sample that showed the state.
        sure: A sample before that showed another state, so that it began there.
    """

    state: int
    clock_ns: int
    since_ns: int
    sure: bool


@dataclass(frozen=True, slots=True)
class StateSamples:
    """The samples of one chunk.

    Attributes:
        rows: intp[n], their frames in the chunk, ascending.
        clock: int64[n], session clock of each.
        state: int64[n], raw value of each.
        before: int64[n], that of the sample before; its own where nothing is known of that.
        before_ns: int64[n], session clock of the sample before; its own where nothing is known of that.
        anew: bool[n], nothing is known of the state before it.
        changed: bool[n], the sample before showed another state.
        since_ns: int64[n], session clock of the first sample that showed the state.
        sure: bool[n], that is when it began, but for the period of the message.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    state: NDArray[np.int64]
    before: NDArray[np.int64]
    before_ns: NDArray[np.int64]
    anew: NDArray[np.bool_]
    changed: NDArray[np.bool_]
    since_ns: NDArray[np.int64]
    sure: NDArray[np.bool_]

    def __len__(self) -> int:
        """Return how many they are."""
        return len(self.rows)

    def lasted_ns(self, k: int, last: LastState | None) -> int | None:
        """Return how long the state before a sample had lasted, None where its begin was not seen.

        Args:
            k: The sample.
            last: The newest sample before the chunk.
        """
        if k:
            since_ns, sure = int(self.since_ns[k - 1]), bool(self.sure[k - 1])
        else:
            since_ns, sure = (last.since_ns, last.sure) if last else (0, False)
        return int(self.clock[k]) - since_ns if sure else None


_NO_NUMBERS, _NO_FLAGS = np.zeros(0, np.int64), np.zeros(0, np.bool_)
_NO_STATES = StateSamples(
    rows=np.zeros(0, np.intp),
    clock=_NO_NUMBERS,
    state=_NO_NUMBERS,
    before=_NO_NUMBERS,
    before_ns=_NO_NUMBERS,
    anew=_NO_FLAGS,
    changed=_NO_FLAGS,
    since_ns=_NO_NUMBERS,
    sure=_NO_FLAGS,
)


class StateCourse:
    """Follows the samples of one signal, those of failed frames and codes for "no data" left out.

    Args:
        ref: The signal.
        setting: Whose decode plan and rules it is.
        as_bit: Only whether it is 0 counts.
        through_silence: Samples before and after a silence are compared too.

    Attributes:
        rule: Its message.
        slot: The slot of that.
        column: Its column.
        last: The newest sample of the chunks so far, None where nothing is known.
        slack_ns: How much longer than in the kit something may seem to last on the bus: a period and the
            latency.
    """

    def __init__(
        self, ref: SignalRef, setting: Setting, *, as_bit: bool = False, through_silence: bool = False
    ) -> None:
        self.column = setting.plan.column_of[ref.bus, ref.message, ref.signal]
        described = setting.plan.columns[self.column]
        self.slot = described.slot
        self.rule = setting.rules[described.slot]
        self._kind, self._no_data = described.kind, described.signal.no_data
        self._channel, self._as_bit = setting.spec.buses[ref.bus].channel, as_bit
        self._silence_ns = None if through_silence else self.rule.stale_after_ns
        self._cyclic = self.rule.trigger is Trigger.CYCLIC
        self.slack_ns = (self.rule.period_ns or 0) + self.rule.longest_latency_ns
        self.last: LastState | None = None

    def unseen_ns(self, before_ns: int, clock_ns: int) -> int:
        """Return how long a state between two samples may have lasted that none shows; 0: there was none."""
        if self._cyclic:
            return clock_ns - before_ns + self.rule.longest_latency_ns
        return self.rule.minimum_gap_ns or 0

    def cut(self, view: View) -> None:
        """Forget what was before a hole that ends where the chunk begins."""
        if self.is_cut(view):
            self.last = None

    def is_cut(self, view: View) -> bool:
        """Tell whether a hole in its recording ends where the chunk begins."""
        return any(hole.channel == self._channel for hole in view.holes)

    def take(self, view: View) -> StateSamples:
        """Go on with the samples of a chunk."""
        rows, state = self._read(view)
        if not len(rows):  # as of most messages in a short chunk
            return _NO_STATES
        clock = view.clock[rows]
        last = self.last
        before, before_ns = np.empty_like(state), np.empty_like(clock)
        before[1:], before_ns[1:] = state[:-1], clock[:-1]
        before[:1] = state[:1] if last is None else last.state
        before_ns[:1] = clock[:1] if last is None else last.clock_ns
        anew = np.zeros(len(rows), np.bool_)
        anew[:1] = last is None
        if self._silence_ns is not None:
            anew |= clock - before_ns > self._silence_ns
        before[anew], before_ns[anew] = state[anew], clock[anew]
        changed = state != before
        begins = anew | changed
        place = np.maximum.accumulate(np.where(begins, np.arange(len(rows)), -1))
        since_ns, sure = clock[place], changed[place]
        if last is not None:
            since_ns[place < 0], sure[place < 0] = last.since_ns, last.sure
        self.last = LastState(int(state[-1]), int(clock[-1]), int(since_ns[-1]), bool(sure[-1]))
        return StateSamples(rows, clock, state, before, before_ns, anew, changed, since_ns, sure)

    def _read(self, view: View) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """The frames and raw values of the samples that tell a state."""
        samples = view.prepared.samples
        rows, state = samples.positions(self.column), samples.values(self.column)
        told = ~no_data(state, self._kind, self._no_data)
        if samples.valid is not None:
            told &= samples.valid[samples.column_start[self.column] : samples.column_start[self.column + 1]]
        rows, state = rows[told], state[told]
        return rows, (state != 0).astype(np.int64) if self._as_bit else state


class StayAmong:
    """Since when, without a break, the samples of a course have shown one of some states.

    Args:
        codes: The states, by raw code.

    Attributes:
        since_ns: At the newest sample so far, None where that shows another.
    """

    def __init__(self, codes: Iterable[int]) -> None:
        self._codes = patterns(sorted(codes))
        self.since_ns: int | None = None

    def take(self, states: StateSamples) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        """Return bool[n], which of the next samples show one, and int64[n], since when without a break."""
        if not len(states.state):
            return _NO_FLAGS, _NO_NUMBERS
        inside = (states.state == self._codes[:, np.newaxis]).any(axis=0)
        goes_on = np.empty_like(inside)
        goes_on[1:] = inside[:-1]
        goes_on[:1] = self.since_ns is not None
        begins = inside & (~goes_on | states.anew)
        place = np.maximum.accumulate(np.where(begins, np.arange(len(inside)), -1))
        since_ns = states.clock[place]
        since_ns[place < 0] = self.since_ns or 0
        self.since_ns = int(since_ns[-1]) if inside[-1] else None
        return inside, since_ns
