"""When the messages came: the arrival of every described frame on the session clock, slot by slot.

This is the ground that the checks of silence and rate and the summary of periods share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.chunks import Coverage, FrameChunk
    from canmap.session import SessionClock
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan

Number = TypeVar("Number", np.int64, np.float64)


@dataclass(frozen=True, slots=True)
class Arrivals:
    """The described frames of one chunk, ordered by slot and within a slot as they arrived.

    Attributes:
        slots: intp[p], the slots that have a frame in the chunk, ascending.
        start: intp[p], where each begins in the arrays of length m.
        count: intp[p], how many frames it has.
        clock: int64[m], session clock of each frame.
        gap: int64[m], time since the frame before of the same slot, or since its channel was covered.
        measured: bool[p], the first gap of the slot is between two frames.
        seen: int64[p], frames of the slot before this chunk.
    """

    slots: NDArray[np.intp]
    start: NDArray[np.intp]
    count: NDArray[np.intp]
    clock: NDArray[np.int64]
    gap: NDArray[np.int64]
    measured: NDArray[np.bool_]
    seen: NDArray[np.int64]

    def per_frame(self, values: NDArray[Number]) -> NDArray[Number]:
        """Return the values [slots] of each slot, repeated for its frames: [m]."""
        return np.repeat(values[self.slots], self.count)


class Timeline:
    """Arrival state of every slot.

    Attributes:
        last_ns: int64[slots], session clock of the last frame, or from which on its channel is covered.
        seen: int64[slots], frames so far.
        until_ns: int64[slots], session clock up to which nothing more will come.
        since_ns: int64[slots], session clock from which on its channel is covered.
        channels: Every channel that any recorder listened to.
    """

    def __init__(self, plan: DecodePlan, channels: Sequence[str]) -> None:
        slots = len(plan.slots)
        self._bus = np.array([slot.bus for slot in plan.slots], np.intp)
        self._channels = tuple(channels)
        self._spans: dict[str, tuple[int, int]] = {}
        self._real = np.zeros(slots, np.bool_)
        self.last_ns = np.zeros(slots, np.int64)
        self.since_ns = np.zeros(slots, np.int64)
        self.until_ns = np.zeros(slots, np.int64)
        self.seen = np.zeros(slots, np.int64)
        self._started = False

    @property
    def silence_ns(self) -> NDArray[np.int64]:
        """int64[slots], for how long nothing has come of each slot, as far as its channel is covered."""
        return self.until_ns - self.last_ns

    def cover(self, chunk: FrameChunk, session: SessionClock, before_ns: int) -> None:
        """Take in what the chunk says was listened to, before its frames are folded.

        Args:
            chunk: The chunk.
            session: The clock, already advanced over the chunk.
            before_ns: The clock before the chunk.
        """
        if session.start_ns is None:
            return
        if not self._started:
            self._started = True
            for column in (self.last_ns, self.since_ns, self.until_ns):
                column[:] = session.start_ns
        if chunk.coverage is None:
            self.until_ns[:] = session.now_ns
            return
        for span in chunk.coverage:
            self._cover_channel(span, session, before_ns)

    def _cover_channel(self, span: Coverage, session: SessionClock, before_ns: int) -> None:
        slots = self._slots_on(span.channel)
        known = self._spans.get(span.channel)
        if known is None or known[0] != span.since_ns:
            since_ns = session.start_ns or 0
            if span.since_ns > since_ns:  # the clock knows stamps of its present run only, and the first one
                since_ns = max(session.at(span.since_ns), since_ns)
            if known is not None:
                since_ns = max(since_ns, before_ns)  # a recorder that joins does so where its chunk begins
                self._real[slots] = False
            self.since_ns[slots] = self.last_ns[slots] = since_ns
        if known is None or known[1] != span.until_ns:
            self.until_ns[slots] = np.maximum(self.until_ns[slots], session.at(span.until_ns))
        self._spans[span.channel] = (span.since_ns, span.until_ns)

    def _slots_on(self, channel: str) -> NDArray[np.bool_]:
        buses = [number for number, name in enumerate(self._channels) if name == channel]
        return np.isin(self._bus, buses)

    def close(self, session: SessionClock) -> None:
        """Take a channel that no recorder has as silent from the first frame to the last.

        So a message of it is missing however the frames come: from one capture, from several, or paced.
        """
        for channel in set(self._channels) - self._spans.keys() if self._spans else ():
            self.until_ns[self._slots_on(channel)] = session.now_ns

    def fold(self, samples: Samples, clock: NDArray[np.int64]) -> Arrivals:
        """Take in the described frames of a chunk and return their arrivals."""
        counts = np.diff(samples.slot_start)
        slots = np.flatnonzero(counts)
        start, count = samples.slot_start[slots], counts[slots]
        at = clock[samples.rows]
        gap = np.empty_like(at)
        np.subtract(at[1:], at[:-1], out=gap[1:])
        gap[start] = at[start] - self.last_ns[slots]
        arrivals = Arrivals(slots, start, count, at, gap, self._real[slots], self.seen[slots])
        self.last_ns[slots] = at[start + count - 1]
        self.seen[slots] += count
        self._real[slots] = True
        return arrivals
