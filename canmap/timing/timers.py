"""Whether the timer of a sender ran on while its message was silent: the phase of its frames over a gap.

Where the frames behind a gap are due at whole periods after those before it, the timer ran on: the node was
alive, and its frames were made or at least due. Where they are not, it started anew. Frames that agree by
chance are as likely as the part of a period that counts as agreement: where that is much, nothing is known.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.timing.phase import WINDOW, phases

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHANCE = 0.05  # that frames agree by chance, at most, for anything to be told
LEAST = 0.01  # of a period: so far off a whole number is agreement, however even the stamps are
SURE = 3  # standard deviations
# The step of two phases is known to so many standard deviations of a stamp: by the means of two windows, and
# by the period, which two windows tell, over each period of the gap.
OF_MEANS, OF_PERIOD = 0.5, 0.01


class Timer(StrEnum):
    """What the timer of a sender did over a gap."""

    RAN_ON = "ran on"
    STARTED_ANEW = "started anew"
    QUEUED = "frames waited and came back to back"
    UNKNOWN = "not known"


class Count(StrEnum):
    """What the counter of a message did over a gap."""

    BY_ONE = "went on by one"
    BY_LOST = "went on by as many as fell out"
    ANEW = "started anew"
    STOOD = "stood"
    OTHERWISE = "jumped"


@dataclass(frozen=True, slots=True)
class OverGap:
    """What the frames on both sides of a gap tell of the timer of their sender.

    Attributes:
        timer: What it did.
        periods: How many periods the gap is, as near as it can be told.
        off: Of a period, how far that is from a whole number.
        chance: How likely frames agree with a timer that ran on by chance, as a fraction.
    """

    timer: Timer
    periods: float
    off: float
    chance: float


def over_gap(clock: NDArray[np.int64], place: int, promised_ns: int) -> OverGap:
    """Return what the timer of a sender did over the gap before a frame.

    Args:
        clock: int64[n], when the frames of one message came, in ns.
        place: The frame: `WINDOW` frames stand before it, and with it as many behind, with no other gap.
        promised_ns: Its promised period.
    """
    told = phases(clock, np.array([place]), promised_ns)
    period_ns = (float(told.period_before_ns[0]) + float(told.period_after_ns[0])) / 2
    periods = (float(told.before_ns[0]) + float(told.after_ns[0])) / period_ns - WINDOW + 1
    off = abs(periods - round(periods))
    deviations = [
        _deviation(clock[place - WINDOW : place], float(told.period_before_ns[0])),
        _deviation(clock[place : place + WINDOW], float(told.period_after_ns[0])),
    ]
    agrees = SURE * max(deviations) / period_ns * (OF_MEANS + OF_PERIOD * max(periods, 1))
    agrees = min(max(agrees, LEAST), 0.5)
    timer = Timer.RAN_ON if off <= agrees else Timer.STARTED_ANEW
    return OverGap(timer if 2 * agrees <= CHANCE else Timer.UNKNOWN, periods, off, 2 * agrees)


def _deviation(clock: NDArray[np.int64], period_ns: float) -> float:
    """How far frames are off their period, as a standard deviation in ns."""
    return float(np.std(clock - clock[0] - period_ns * np.arange(len(clock))))
