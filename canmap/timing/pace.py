"""When a chunk may be handed on, and when what it led to is due. The only module that sleeps."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import Coverage, empty_chunk
from canmap.frames.session import SessionClock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

TICK_S = 0.02  # the longest wait: how soon silence, a pause and its end are noticed
SHORTEST_S = (
    0.0005  # the shortest: what is due within it comes in one chunk, which costs as little as a frame
)
AHEAD_S = 0.06  # enough for the work on a tick, and for a machine that does something else for a moment
SETTLED_S = 0.3
BIN_S, MOST_BINNED_S = 0.00005, 1.0


class Pace:
    """Hands frames on as fast as they were recorded, times a factor.

    Every tick brings the frames that are due by then; a tick without any brings an empty chunk, so that
    silence shows when it happens and not when the next frame comes. The schedule is kept against the
    monotonic clock from the first frame on, so that lateness of one tick does not add up. A step of the
    recorder's clock neither hurries nor stops it: the schedule is that of the session clock. A pause hands
    nothing on and moves the rest of the schedule by as long as it lasts.

    With `ahead_s`, frames are handed on some time before they are due, many at once, and what they led to
    waits for its moment (`at`): so it is as punctual as a sleep, and not later by the work on the frames.

    Args:
        factor: Recorded seconds in a second of the wall, above 0.
        now: Monotonic clock, in s.
        sleep: Waits for so many s.
        paused: Whether it is to stand still at the moment; it is asked at every wait.
        ahead_s: How long before they are due frames may be handed on.
        suspended_s: Returns how long the program was suspended so far, in s; that is a pause too.

    Attributes:
        session: The clock that it keeps to.
        worst_late_s: Largest lateness of a frame, or of what it led to, against its schedule so far.
        shield: Gives a context in which no Ctrl-C cuts short what is done at its moment.
    """

    def __init__(
        self,
        factor: float,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        paused: Callable[[], bool] = lambda: False,
        ahead_s: float = 0.0,
        suspended_s: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self._factor, self._ahead_s = factor, ahead_s
        self._clock, self._sleep, self._paused = now, sleep, paused
        self._suspended_s = suspended_s
        self._paused_s = 0.0  # without the time for which the program was suspended
        self._began_s = 0.0  # of a schedule without pauses that ends as this one does
        self._began_at_ns = 0  # time of day at the first frame
        self._waiting: deque[tuple[int, Callable[[], None]]] = deque()
        self.session = SessionClock()
        self._channels: dict[str, int] = {}
        self.worst_late_s = 0.0
        self.shield: Callable[[], AbstractContextManager[None]] = contextlib.nullcontext

    @property
    def paused_ns(self) -> int:
        """How long it stood still so far, in ns of the wall."""
        return round((self._paused_s + self._suspended_s()) * 1e9)

    def chunks(self, chunk: FrameChunk) -> Iterator[FrameChunk]:
        """Yield the pieces of a chunk, each when it is due."""
        if not len(chunk):
            yield chunk
            return
        if self.session.start_ns is None:
            self._began_s, self._began_at_ns = self._now(), time.time_ns() - self.paused_ns
        due_ns = self.session.advance(chunk.t_ns)
        for name in chunk.channels:
            self._channels.setdefault(name, self.session.start_ns or 0)
        rest, done = chunk, 0
        while len(rest):
            self.do_what_is_due()
            until_ns = self._recorded_ns(self._ahead_s)
            count = int(np.searchsorted(due_ns[done:], until_ns, side="right"))
            if count == len(rest):
                piece, rest = rest, empty_chunk()
            elif count:
                piece, rest = rest.split([count])
            else:
                piece = empty_chunk(chunk.channels)
            done += count
            if count:
                late_s = (until_ns - int(due_ns[done - count])) / 1e9 / self._factor - self._ahead_s
                self.worst_late_s = max(self.worst_late_s, late_s)
            yield self._covered(piece, chunk.coverage, min(until_ns, self.session.now_ns))
            if len(rest):
                self._wait(int(due_ns[done]))

    def at(self, clock_ns: int, action: Callable[[], None]) -> None:
        """Do something when a moment of the session clock is due, after all that was given before."""
        if self._waiting or self.late_s(clock_ns) < 0:
            self._waiting.append((clock_ns, action))
        else:
            self._do(clock_ns, action)

    def do_what_is_due(self) -> None:
        """Do what was given to `at` and is due by now; whoever works for long asks for it in between."""
        while self._waiting and self.late_s(self._waiting[0][0]) >= 0:
            with self.shield():
                self._do(*self._waiting.popleft())

    def run_out(self, *, at_once: bool = False) -> None:
        """Do what still waits, each when it is due or `at_once`; no pause holds it up any more."""
        self._paused = lambda: False
        while self._waiting:
            if not at_once:
                self._pass_time(self._due_s(self._waiting[0][0]))
            elif self._waiting:
                self._do(*self._waiting.popleft())

    def late_s(self, clock_ns: int) -> float:
        """Return how long ago a moment of the session clock was due, in s; below 0 before it is."""
        return self._now() - self._due_s(clock_ns)

    def due_at_ns(self, clock_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the time of day, int64[n] in ns since 1970 (UTC), at which moments are due.

        It counts from the first frame, so that a clock of the system that is set meanwhile does not matter.

        Args:
            clock_ns: The moments, int64[n], on the session clock.
        """
        passed_ns = clock_ns - (self.session.start_ns or 0)
        if self._factor != 1.0:
            passed_ns = np.rint(passed_ns / self._factor).astype(np.int64)
        return self._began_at_ns + self.paused_ns + passed_ns

    def _now(self) -> float:
        """The monotonic clock, in s, as if the program had never been suspended."""
        while True:  # it may be suspended between the two looks
            suspended_s = self._suspended_s()
            now_s = self._clock() - suspended_s
            if suspended_s == self._suspended_s():
                return now_s

    def _due_s(self, clock_ns: int) -> float:
        return self._began_s + (clock_ns - (self.session.start_ns or 0)) / 1e9 / self._factor

    def _recorded_ns(self, ahead_s: float) -> int:
        """The session clock that is due some time from now."""
        passed_s = self._now() + ahead_s - self._began_s
        return (self.session.start_ns or 0) + int(passed_s * self._factor * 1e9)

    def _wait(self, next_ns: int) -> None:
        """Wait for the next frame, but no longer than a tick, and while it is paused."""
        now_s = self._now()
        shortest_s = TICK_S if self._ahead_s else SHORTEST_S
        wait_s = self._due_s(next_ns) - self._ahead_s - now_s
        self._pass_time(now_s + min(max(wait_s, shortest_s), TICK_S))

    def _pass_time(self, end_s: float) -> None:
        """Let the time pass up to `end_s`, and longer by a pause; do what is due meanwhile."""
        while True:
            if self._paused():
                end_s += self._stand_still()
            self.do_what_is_due()
            now_s = self._now()
            if now_s >= end_s:
                return
            next_s = min(end_s, self._due_s(self._waiting[0][0])) if self._waiting else end_s
            if next_s > now_s:
                self._sleep(next_s - now_s)

    def _do(self, clock_ns: int, action: Callable[[], None]) -> None:
        self.worst_late_s = max(self.worst_late_s, self.late_s(clock_ns))
        action()

    def _stand_still(self) -> float:
        """Wait for the end of a pause, and return how long it was, in s."""
        since_s, before_s = self._now(), self._began_s
        while self._paused():
            self._sleep(TICK_S)
            # At once, and not when it ends: whoever ends the run in a pause finds the schedule as it stands.
            self._began_s = before_s + self._now() - since_s
        paused_s = self._began_s - before_s
        self._paused_s += paused_s
        return paused_s

    def _covered(self, piece: FrameChunk, spans: tuple[Coverage, ...] | None, until_ns: int) -> FrameChunk:
        """Say up to when nothing more will come, where a piece does not; `spans` is what its source says."""
        if len(piece) and piece.coverage is not None:
            return piece
        if spans is None:
            spans = tuple(Coverage(name, since_ns) for name, since_ns in self._channels.items())
        promised = tuple(
            replace(span, until_ns=until_ns) if span.until_ns is None else span
            for span in spans
            if span.since_ns <= until_ns  # what only begins with the frames that come next, comes with them
        )
        return replace(piece, coverage=promised)


class Lateness:
    """How late things came against a schedule, counted in bins of 0.05 ms up to 1 s.

    Attributes:
        count: How many came.
        worst_s: The largest lateness of one, 0 where none was late.
    """

    def __init__(self) -> None:
        self.count = 0
        self.worst_s = 0.0
        self._bins = [0] * (round(MOST_BINNED_S / BIN_S) + 1)

    def note(self, late_s: float) -> None:
        """Count one."""
        self.count += 1
        self.worst_s = max(self.worst_s, late_s)
        self._bins[min(max(int(late_s / BIN_S), 0), len(self._bins) - 1)] += 1

    def within_s(self, share: float) -> float:
        """Return the lateness that a share of them did not exceed, to a bin, or the worst if that is less."""
        wanted, passed = share * self.count, 0
        for number, count in enumerate(self._bins[:-1]):
            passed += count
            if passed >= wanted:
                return min((number + 1) * BIN_S, self.worst_s)
        return self.worst_s


def wait_until_settled(
    count: Callable[[], int],
    longest_s: float,
    now: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> int:
    """Wait until a count is above 0 and has not changed for 0.3 s, but no longer than `longest_s`.

    Returns:
        The last count.
    """
    end_s = now() + longest_s
    last, since_s = count(), now()
    while now() < end_s and not (last and now() - since_s >= SETTLED_S):
        sleep(max(min(TICK_S, end_s - now()), SHORTEST_S))
        if (newest := count()) != last:
            last, since_s = newest, now()
    return last
