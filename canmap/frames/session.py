"""The session clock: stamps of the source in, a clock that never steps back out.

All ages and silences are measured on it, so that a recorder whose clock was set while it ran does not
make a signal stale. Steps are kept as `TimeStep` for the check that reports them.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

HELD_BACK_NS = 50_000_000  # a stamp this much before the clock is jitter of the recorder: the clock holds
LARGEST_GAP_NS = 3_600_000_000_000  # a stamp more than this after the clock is a step, not a silence
STEPS_KEPT = 20  # the last of them takes in what follows


@dataclass(slots=True)
class TimeStep:
    """A step of the source's clock.

    Attributes:
        start_ns: Session clock at the step.
        end_ns: Session clock at which the stamps had caught up again, None while they have not.
        step_ns: Its size, negative for back.
        count: Steps merged into this one before the stamps had caught up.
    """

    start_ns: int
    end_ns: int | None
    step_ns: int
    count: int = 1


class SessionClock:
    """Turns stamps into the session clock, chunk by chunk.

    Attributes:
        start_ns: The clock at the first frame, None before it: its stamp, unless it goes on from another.
        zero_ns: What session time counts from in texts: the first stamp, or that of the whole capture where
            only a part of it is used.
        now_ns: The clock at the last frame.
        steps: The steps so far; all but the last have an end.
    """

    def __init__(self) -> None:
        self.start_ns: int | None = None
        self.zero_ns = 0
        self._earlier: Callable[[], SessionClock | None] = lambda: None
        self.now_ns = 0
        self.steps: list[TimeStep] = []
        self._offset_ns = 0

    def go_on_from(self, earlier: Callable[[], SessionClock | None]) -> None:
        """Go on, when the first stamp comes, from the clock of the frames before: where a part is used."""
        self._earlier = earlier

    def copy(self) -> SessionClock:
        """Return a clock that goes on from this one's state."""
        other = copy.copy(self)
        other.steps = [replace(step) for step in self.steps]
        return other

    def advance(self, t_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the clock int64[n] at each of the stamps int64[n], which follow those before."""
        if not len(t_ns):
            return t_ns
        begins = self.start_ns is None
        if begins:
            self._begin(int(t_ns[0]))
        clock = t_ns if self._in_order(t_ns) else self._without_steps(t_ns)
        if clock is None:
            clock = self._with_steps(t_ns)
        if begins:
            self.start_ns = int(clock[0])
        self.now_ns = int(clock[-1])
        return clock

    def _begin(self, first_ns: int) -> None:
        self.now_ns = self.zero_ns = first_ns
        earlier = self._earlier()
        if earlier is not None and earlier.start_ns is not None:
            self.now_ns, self.zero_ns, self._offset_ns = earlier.now_ns, earlier.zero_ns, earlier._offset_ns

    def _in_order(self, t_ns: NDArray[np.int64]) -> bool:
        """Whether the stamps are the clock as they are: the usual case, told without working it out."""
        if self._offset_ns or not self.now_ns <= t_ns[0] or t_ns[-1] - self.now_ns > LARGEST_GAP_NS:
            return False
        return bool((t_ns[1:] >= t_ns[:-1]).all())

    def _without_steps(self, t_ns: NDArray[np.int64]) -> NDArray[np.int64] | None:
        """Clock of a chunk in which nothing steps and nothing catches up, else None."""
        shifted = t_ns + self._offset_ns if self._offset_ns else t_ns
        clock = np.empty(len(t_ns) + 1, np.int64)
        clock[0] = self.now_ns
        clock[1:] = shifted
        np.maximum.accumulate(clock, out=clock)
        ahead = shifted - clock[:-1]
        if ahead.min() < -HELD_BACK_NS or ahead.max() > LARGEST_GAP_NS:
            return None
        if self._offset_ns and bool(self._caught_up(t_ns, clock[:-1]).any()):
            return None
        return clock[1:]

    @staticmethod
    def _caught_up(t_ns: NDArray[np.int64], clock: NDArray[np.int64]) -> NDArray[np.bool_]:
        ahead = t_ns - clock
        return (ahead >= -HELD_BACK_NS) & (ahead <= LARGEST_GAP_NS)

    def _with_steps(self, t_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """The same, frame by frame: only for the rare chunk in which a step begins or ends."""
        clock = np.empty(len(t_ns), np.int64)
        now, offset = self.now_ns, self._offset_ns
        for i, stamp in enumerate(t_ns.tolist()):
            if offset and -HELD_BACK_NS <= stamp - now <= LARGEST_GAP_NS:
                offset = 0
                self._note_caught_up(max(now, stamp))
            ahead = stamp + offset - now
            if ahead < -HELD_BACK_NS or ahead > LARGEST_GAP_NS:
                self._note_step(now, stepping=bool(offset), step_ns=ahead)
                offset = now - stamp
            now = max(now, stamp + offset)
            clock[i] = now
        self._offset_ns = offset
        return clock

    def _note_caught_up(self, now_ns: int) -> None:
        if self.steps:  # none: the step came before the part that is used
            self.steps[-1].end_ns = now_ns

    def _note_step(self, now_ns: int, *, stepping: bool, step_ns: int) -> None:
        if self.steps and (stepping or len(self.steps) == STEPS_KEPT):
            self.steps[-1].count += 1
            self.steps[-1].end_ns = None
        else:
            self.steps.append(TimeStep(now_ns, None, step_ns))
