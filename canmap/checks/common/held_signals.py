"""For how long a signal has said something, at any frame: what a kit has to act on once it has lasted.

What it says may be sure, or only not excluded: a value near a threshold is on neither side of it. Nothing is
known across a silence longer than the message's `stale_after`, nor across a hole in the recording.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.offgaps import TOLERATED
from canmap.signals.extract import no_data

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.state_course import StateSamples
    from canmap.findings.episodes import Episodes
    from canmap.mapping.refs import SignalRef
    from canmap.signals.plan import ColumnKind
    from canmap.stream.view import View

    Says = Callable[
        [NDArray[np.int64], ColumnKind], tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]
    ]

NEVER_NS = np.iinfo(np.int64).min // 2


@dataclass(frozen=True, slots=True)
class HeldSamples:
    """The samples of one chunk, after the newest before it.

    Attributes:
        rows: intp[n], their frames in the chunk, ascending.
        clock: int64[n + 1], session clock of each; NEVER_NS where none came before.
        known_ns: int64[n + 1], since when it has been known without a break.
        sure_ns: int64[n + 1], since when it has said so for sure, NEVER_NS where it does not.
        maybe_ns: int64[n + 1], since when that has not been excluded, NEVER_NS where it is.
        lasted_ns: int64[n + 1], session clock of the newest sample by which it may have lasted.
        began_ns: int64[n + 1], when what may have lasted by then began.
        most: float64[n + 1], the furthest value of what each belongs to so far.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    known_ns: NDArray[np.int64]
    sure_ns: NDArray[np.int64]
    maybe_ns: NDArray[np.int64]
    lasted_ns: NDArray[np.int64]
    began_ns: NDArray[np.int64]
    most: NDArray[np.float64]

    @property
    def newest(self) -> HeldSamples:
        """The newest of them, before the samples of the next chunk."""
        last = slice(-1, None)
        return HeldSamples(
            self.rows[:0],
            *(self.clock[last], self.known_ns[last], self.sure_ns[last], self.maybe_ns[last]),
            *(self.lasted_ns[last], self.began_ns[last], self.most[last]),
        )

    def at(self, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return intp[k], the newest sample at each of some frames."""
        return self.rows.searchsorted(rows, side="right")


class HeldSignal:
    """Follows what one signal says, frames that failed and codes for "no data" left out.

    Args:
        ref: The signal.
        says: Tells of raw values whether they say it for sure, may say it, and how far they go.
        longer_than_ns: Time from which on it has lasted.
        setting: Whose decode plan and rules it is.

    Attributes:
        slot: The slot of its message.
        stale_ns: Age up to which a sample tells what is; None for ever.
        jitter_ns: By how much its samples may come late.
        slack_ns: How much shorter than in the kit something may seem on the bus.
        longer_than_ns: As given.
    """

    def __init__(self, ref: SignalRef, says: Says, longer_than_ns: int, setting: Setting) -> None:
        self._column = setting.plan.column_of[ref.bus, ref.message, ref.signal]
        column = setting.plan.columns[self._column]
        self.slot = column.slot
        rule = setting.rules[column.slot]
        self._kind, self._no_data, self._says = column.kind, column.signal.no_data, says
        self._channel = setting.spec.buses[ref.bus].channel
        self.stale_ns = rule.stale_after_ns
        period_ns = rule.period_ns or 0
        self.jitter_ns = period_ns * TOLERATED[0] // TOLERATED[1]
        self.slack_ns = 2 * period_ns + self.jitter_ns + rule.longest_latency_ns
        self.longer_than_ns = longer_than_ns
        self._lasting_ns = max(longer_than_ns - self.slack_ns, 0)
        self._last = _nothing()

    def cut(self, view: View) -> None:
        """Forget what was before a hole that ends where the chunk begins."""
        if any(hole.channel == self._channel for hole in view.holes):
            self._last = _nothing()

    def take(self, view: View) -> HeldSamples:
        """Go on with the samples of a chunk."""
        samples, last = view.prepared.samples, self._last
        rows, raw = samples.positions(self._column), samples.values(self._column)
        told = ~no_data(raw, self._kind, self._no_data)
        if samples.valid is not None:
            told &= samples.valid[samples.column_start[self._column] : samples.column_start[self._column + 1]]
        rows, raw = rows[told], raw[told]
        if not len(rows):  # as of most messages in a short chunk
            return last
        sure, maybe, value = self._says(raw, self._kind)
        clock = np.concatenate((last.clock, view.clock[rows]))
        anew = np.zeros(len(clock), np.bool_)
        anew[1:] = clock[:-1] == NEVER_NS
        if self.stale_ns is not None:
            anew[1:] |= np.diff(clock) > self.stale_ns
        known_ns = _since(np.ones(len(clock), np.bool_), anew, clock, int(last.known_ns[0]))
        if last.maybe_ns[0] == NEVER_NS and not maybe.any():  # as nearly always
            never = np.full(len(clock), NEVER_NS)
            lasted_ns, began_ns = never + (last.lasted_ns - NEVER_NS), never + (last.began_ns - NEVER_NS)
            found = HeldSamples(
                rows, clock, known_ns, never, never, lasted_ns, began_ns, np.zeros(len(clock))
            )
            self._last = found.newest
            return found
        sure = np.append(last.sure_ns[0] != NEVER_NS, sure)
        maybe = np.append(last.maybe_ns[0] != NEVER_NS, maybe)
        sure_ns = _since(sure, anew, clock, int(last.sure_ns[0]))
        maybe_ns = _since(maybe, anew, clock, int(last.maybe_ns[0]))
        lasts = maybe & (clock - maybe_ns >= self._lasting_ns)
        lasts[0] = False  # as the newest before told already
        lasted_ns = np.maximum.accumulate(np.where(lasts, clock, NEVER_NS))
        lasted_ns = np.maximum(lasted_ns, last.lasted_ns[0])
        place = np.maximum.accumulate(np.where(lasts, np.arange(len(clock)), 0))
        began_ns = np.where(place > 0, maybe_ns[place], last.began_ns[0])
        most = _furthest(maybe, maybe_ns, np.append(last.most, value))
        found = HeldSamples(rows, clock, known_ns, sure_ns, maybe_ns, lasted_ns, began_ns, most)
        self._last = found.newest
        return found


@dataclass(frozen=True, slots=True)
class Stays:
    """How an axis goes on acting while a signal says that it must not, one of each of its samples.

    Attributes:
        faulty: bool[n], it has acted for too long.
        good: bool[n], it does not act, or nothing says that it must not.
        stays_ns: int64[n], for how long it has.
        since_ns: int64[n], from when on it had to let go.
    """

    faulty: NDArray[np.bool_]
    good: NDArray[np.bool_]
    stays_ns: NDArray[np.int64]
    since_ns: NDArray[np.int64]

    @classmethod
    def of(
        cls,
        states: StateSamples,
        acts: tuple[NDArray[np.bool_], NDArray[np.int64]],
        held: HeldSamples,
        signal: HeldSignal,
        limit_ns: int,
    ) -> Stays:
        """Judge the samples of a state.

        Args:
            states: The samples.
            acts: bool[n], whether the axis acts, and int64[n], since when.
            held: What the signal says.
            signal: The signal.
            limit_ns: Time that the axis may take once the signal has lasted, with its slack.
        """
        active, active_ns = acts
        place = held.at(states.rows)
        sure_ns, newest_ns = held.sure_ns[place], held.clock[place]
        must = active & (sure_ns != NEVER_NS)
        if signal.stale_ns is not None:
            must &= states.clock - newest_ns <= signal.stale_ns
        begun_ns = np.maximum(sure_ns, active_ns)
        stays_ns = states.clock - begun_ns
        longer_ns = signal.longer_than_ns
        faulty = must & (newest_ns - begun_ns > longer_ns) & (stays_ns > longer_ns + limit_ns)
        return cls(faulty, ~must, stays_ns, begun_ns + longer_ns)

    def tell(self, episodes: Episodes, subject: int, seen: int, states: StateSamples, view: View) -> None:
        """Hand what is wrong of a subject, of which `seen` samples came before, to its episodes."""
        if subject in episodes.open_subjects or self.faulty.any():
            episodes.judge(
                subject=subject,
                seen=seen,
                faulty=self.faulty,
                good=self.good,
                clock=states.clock,
                worst=self._worst,
                line=lambda first: int(view.prepared.chunk.line[states.rows[first]]),
                since=self.since_ns,
            )

    def _worst(self, first: int, last: int) -> int:
        """Return the longest time from one sample to another, both included."""
        inside = slice(first, last + 1)
        return int(self.stays_ns[inside][self.faulty[inside]].max())


def _nothing() -> HeldSamples:
    never = np.full(1, NEVER_NS)
    return HeldSamples(np.zeros(0, np.intp), never, never, never, never, never, never, np.zeros(1))


def _since(
    held: NDArray[np.bool_], anew: NDArray[np.bool_], clock: NDArray[np.int64], before_ns: int
) -> NDArray[np.int64]:
    """Return int64[n], since when each has been held without a break, NEVER_NS where it is not."""
    begins = held.copy()
    begins[1:] &= ~held[:-1] | anew[1:]
    begins[0] = False
    place = np.maximum.accumulate(np.where(begins, np.arange(len(held)), 0))
    since_ns = np.where(place > 0, clock[place], before_ns)
    return np.where(held, since_ns, NEVER_NS)


def _furthest(
    held: NDArray[np.bool_], since_ns: NDArray[np.int64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return float64[n], the furthest value since each began to be held; 0 where it is not."""
    most = np.where(held, value, 0.0)
    begins = np.flatnonzero(np.append(True, since_ns[1:] != since_ns[:-1]))
    ends = np.append(begins[1:], len(held))
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        if held[begin]:
            np.maximum.accumulate(most[begin:end], out=most[begin:end])
    return most
