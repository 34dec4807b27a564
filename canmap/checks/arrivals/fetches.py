"""How far apart the moments are at which a recorder fetches frames and stamps them.

A recorder that has no clock of its own gives all the frames that wait one stamp, when it fetches them. Frames
that are closer together than any can be on the wire came so; the time before them tells how often it fetches.
Samples of a few hundred frames tell enough.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.stream.view import View

TOGETHER_NS = 40_000  # no frame is shorter on the wire: 47 bits at 1 Mbit/s take 47 us (ISO 11898-1)
BATCHED = 0.1  # of the frames have to come together with the one before, else they are as they came
SAMPLE = 512  # frames that are looked at together
EVERY, LATER = 8192, 65_536  # of so many frames of a session one sample, and of so many further on
BIN_NS = 100_000
BINS = 2_000  # up to 0.2 s


class Fetches:
    """Finds for every channel how often its recorder fetches frames.

    Args:
        channels: The channels.
    """

    def __init__(self, channels: tuple[str, ...]) -> None:
        self._channels = channels
        self._clock: list[NDArray[np.int64]] = []  # of the sample that is not whole yet
        self._channel: list[NDArray[np.intp]] = []
        self._frames = np.zeros(len(channels), np.int64)
        self._together = np.zeros(len(channels), np.int64)
        self._before = np.zeros((len(channels), BINS), np.int64)

    def apart_ns(self, channel: str) -> int:
        """Return the usual time from one fetch to the next, 0 where frames are stamped as they come."""
        one = self._channels.index(channel)
        if self._together[one] <= BATCHED * self._frames[one]:
            return 0
        sums = np.cumsum(self._before[one])
        return (int(np.searchsorted(sums, (sums[-1] + 1) // 2)) + 1) * BIN_NS

    def fold(self, view: View) -> None:
        """Take in the samples that a chunk has."""
        first, count = view.first_frame, len(view.clock)
        begin = first - first % (EVERY if first < LATER else LATER)
        while begin < first + count:
            low, high = max(begin, first) - first, min(begin + SAMPLE - first, count)
            if low < high:
                self._take(view, slice(low, high))
                if first + high == begin + SAMPLE:
                    self._judge()
            begin += EVERY if begin < LATER else LATER

    def _take(self, view: View, rows: slice) -> None:
        chunk = view.prepared.chunk
        numbers = np.array([self._number(name) for name in chunk.channels] or [-1], np.intp)
        self._clock.append(view.clock[rows].copy())
        self._channel.append(numbers.take(chunk.channel[rows]))

    def _number(self, channel: str) -> int:
        return self._channels.index(channel) if channel in self._channels else -1

    def _judge(self) -> None:
        clock, channel = np.concatenate(self._clock), np.concatenate(self._channel)
        self._clock, self._channel = [], []
        for number in range(len(self._channels)):
            gap_ns = np.diff(clock[channel == number])
            together = gap_ns < TOGETHER_NS
            heads = ~together[:-1] & together[1:]  # a first frame that another comes together with
            self._frames[number] += len(gap_ns)
            self._together[number] += int(together.sum())
            before = np.minimum(gap_ns[:-1][heads] // BIN_NS, BINS - 1)
            self._before[number] += np.bincount(before, minlength=BINS)
