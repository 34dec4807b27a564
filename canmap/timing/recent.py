"""The newest frames of a message, with which those to come are judged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.timing.phase import WINDOW

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.timing.arrivals import Arrivals

KEPT = 4 * WINDOW  # frames that those to come are judged with
BEHIND = 2 * WINDOW  # frames that have to come, with a frame, before it is judged
CALM = np.zeros(KEPT, np.uint8)
SILENCE, APART = 1, 2  # before a frame: a gap that is too long; none that is between two frames


class RecentFrames:
    """The newest frames of one message.

    Attributes:
        clock: int64[n], when they came, at most `KEPT`.
        parts: uint8[n], `SILENCE` or `APART` where the gap before a frame is one, else 0.
        ordinal: Of the first of them, among all frames of the message.
    """

    __slots__ = ("clock", "ordinal", "parts")

    def __init__(self) -> None:
        self.clock = np.zeros(0, np.int64)
        self.parts = CALM[:0]
        self.ordinal = 0

    def take(self, clock: NDArray[np.int64], parts: NDArray[np.uint8]) -> None:
        """Take in the next frames; all that are kept then are to be judged before `forget`."""
        self.clock = np.concatenate((self.clock, clock))
        self.parts = np.concatenate((self.parts, parts))

    def forget(self) -> None:
        """Keep only the newest."""
        if (more := len(self.clock) - KEPT) > 0:
            self.ordinal += more
            self.clock, self.parts = self.clock[more:].copy(), self.parts[more:].copy()

    def pass_calmly(self, clock: NDArray[np.int64]) -> None:
        """Take in the next frames, none of which has to be judged."""
        if len(clock) < KEPT:
            self.take(clock, CALM[: len(clock)])
            self.forget()
        else:
            self.pass_on(clock[-KEPT:].copy(), len(clock))

    def pass_on(self, newest: NDArray[np.int64], count: int) -> None:
        """Take in so many frames, none of which has to be judged, by the `KEPT` newest of them."""
        self.ordinal += len(self.clock) + count - KEPT
        self.clock, self.parts = newest, CALM


def newest_of_each(arrivals: Arrivals) -> NDArray[np.int64]:
    """Return when the `KEPT` newest frames of each stream of a chunk came, int64[streams, KEPT].

    What it says of a stream of which fewer came is not to be used.
    """
    stop = arrivals.start + arrivals.count
    return arrivals.clock.take(stop[:, np.newaxis] + np.arange(-KEPT, 0), mode="clip")
