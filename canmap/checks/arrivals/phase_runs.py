"""Losses that the phase of a cyclic message tells: frames at which it steps, gathered and judged together.

One lost frame moves the phase of all frames behind it by a period, for good. Where so many are lost that no
phase is steady, the frames that are left still keep to the period of the sender.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.timing.phase import RANDOM, WINDOW

if TYPE_CHECKING:
    from canmap.timing.phase import Phases

STEP = 2 / 3  # of a period: from there on a frame is missing
NEAR = 1 / 3  # of a period: so near the step is to a whole number
SHORT = 3 * WINDOW  # frames over which a steady phase can be told on
OF_RATE = 0.2  # more than that of all, for longer than a second, is a wrong rate and told as that
SECOND_NS = 1_000_000_000
# Frames: what is lost by chance, one in some, is one loss as long as it goes on. No silence is between, as
# there is none in the windows around a step.
PARTED_BY = 2 * WINDOW


@dataclass(frozen=True, slots=True)
class Stepped:
    """A frame with which the phase of its message steps.

    Attributes:
        ordinal: Which of its frames it is.
        clock_ns: When it came.
        gap_ns: Time since the frame before.
        step: By how many periods.
        before_ns: As the others, of `Phases`.
    """

    ordinal: int
    clock_ns: int
    gap_ns: int
    step: float
    before_ns: float
    after_ns: float
    period_before_ns: float
    period_after_ns: float
    steady_before: bool
    steady_after: bool

    @classmethod
    def of(cls, frame: tuple[int, int, int], told: Phases, place: int) -> Stepped:
        """Return one of a frame, the first three of its attributes, and of its place in `told`."""
        return cls(
            *frame,
            step=float(told.step[place]),
            before_ns=float(told.before_ns[place]),
            after_ns=float(told.after_ns[place]),
            period_before_ns=float(told.period_before_ns[place]),
            period_after_ns=float(told.period_after_ns[place]),
            steady_before=bool(told.steady_before[place]),
            steady_after=bool(told.steady_after[place]),
        )


@dataclass(frozen=True, slots=True)
class Lost:
    """Frames that were lost at one place, or over a stretch.

    Attributes:
        first: Ordinal of the first frame that comes behind a loss.
        last: Of the last.
        start_ns: Session clock of the frame before the first loss.
        end_ns: Session clock of the frame behind the last.
        count: Lost frames.
        most: In a row, at most.
        whole: Frames of the stretch, the lost ones included.
    """

    first: int
    last: int
    start_ns: int
    end_ns: int
    count: int
    most: int
    whole: int


class PhaseRun:
    """Frames with which the phase of one message steps, each less than `PARTED_BY` frames behind the last.

    Args:
        one: The first.

    Attributes:
        last: The last so far.
        heard: Ordinal of the last around which the rhythm was looked at, None for none.
        undecided: Whether `lost` found that frames may be lost, or may not.
    """

    def __init__(self, one: Stepped) -> None:
        self._first = self.last = self._best = one
        self._longest_ns = one.gap_ns
        self.heard: int | None = None
        self.undecided = False
        self._times = 0
        self._kept = self._period_ns = 0.0  # sums over the times

    def goes_on_with(self, one: Stepped) -> bool:
        """Tell whether a further one belongs to it."""
        return one.ordinal - self.last.ordinal < PARTED_BY

    def add(self, one: Stepped) -> None:
        """Add a further one."""
        self.last = one
        self._longest_ns = max(self._longest_ns, one.gap_ns)
        if one.step > self._best.step:
            self._best = one

    def hear(self, kept: float, period_ns: float) -> None:
        """Take in how well the frames around the last one keep to one period, and to which."""
        self.heard = self.last.ordinal
        self._times += 1
        self._kept += kept
        self._period_ns += period_ns

    def lost(self, promised_ns: int) -> Lost | None:
        """Return what was lost, None where that cannot be told, or where it is a wrong rate."""
        first, last, best = self._first, self.last, self._best
        frames = last.ordinal - first.ordinal + WINDOW
        elapsed_ns = last.clock_ns - first.clock_ns
        missing = (elapsed_ns + first.before_ns + last.after_ns) / self._period(frames) - frames
        count = round(missing)
        if count < 1 or (count > OF_RATE * frames and elapsed_ns > SECOND_NS):
            return None
        is_steady = first.steady_before and last.steady_after
        at_one_place = is_steady and frames <= 2 * WINDOW
        is_between = at_one_place and abs(missing - count) >= NEAR
        keeps_time = (is_steady and frames <= SHORT) or self._kept > RANDOM * self._times
        self.undecided = is_between or not keeps_time
        if self.undecided:
            return None
        if at_one_place and (count == 1 or round(best.gap_ns / promised_ns) > count):
            first = last = best
        in_a_row = round(self._longest_ns / promised_ns) - 1
        return Lost(
            first=first.ordinal,
            last=last.ordinal,
            start_ns=first.clock_ns - first.gap_ns,
            end_ns=last.clock_ns,
            count=count,
            most=min(max(in_a_row, 1), count),
            whole=frames + count,
        )

    def _period(self, frames: int) -> float:
        """The period of the sender, in ns: that on both sides, or the one that the frames between keep to."""
        if self._times and frames > 2 * WINDOW:
            return self._period_ns / self._times
        return (self._first.period_before_ns + self.last.period_after_ns) / 2
