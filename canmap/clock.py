"""When a chunk may be handed on: at once, or paced as it was recorded. The only module that sleeps."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.chunks import Coverage, empty_chunk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.chunks import FrameChunk

TICK_S = 0.02


class Pace:
    """Hands frames on as fast as they were recorded, times a factor.

    Every tick brings the frames that are due by then; a tick without any brings an empty chunk, so that
    silence shows when it happens and not when the next frame comes. The schedule is kept against the
    monotonic clock from the first frame on, so that lateness of one tick does not add up.

    Args:
        factor: Recorded seconds in a second of the wall, above 0.
        now: Monotonic clock, in s.
        sleep: Waits for so many s.

    Attributes:
        worst_late_s: Largest lateness of a frame against its schedule so far.
    """

    def __init__(
        self,
        factor: float,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._factor = factor
        self._now, self._sleep = now, sleep
        self._began_s = 0.0
        self._first_ns: int | None = None
        self._high_ns = 0
        self._channels: dict[str, int] = {}
        self.worst_late_s = 0.0

    def chunks(self, chunk: FrameChunk) -> Iterator[FrameChunk]:
        """Yield the pieces of a chunk, each when it is due."""
        if not len(chunk):
            yield chunk
            return
        due_ns = np.maximum(np.maximum.accumulate(chunk.t_ns), self._high_ns)
        if self._first_ns is None:
            self._first_ns, self._began_s = int(due_ns[0]), self._now()
        self._high_ns = int(due_ns[-1])
        for name in chunk.channels:
            self._channels.setdefault(name, self._first_ns)
        rest, done = chunk, 0
        while len(rest):
            until_ns = self._recorded_ns()
            count = int(np.searchsorted(due_ns[done:], until_ns, side="right"))
            if count == len(rest):
                piece, rest = rest, empty_chunk()
            elif count:
                piece, rest = rest.split([count])
            else:
                piece = empty_chunk(chunk.channels)
            done += count
            if count:
                late_s = (until_ns - int(due_ns[done - count])) / 1e9 / self._factor
                self.worst_late_s = max(self.worst_late_s, late_s)
            yield self._covered(piece, until_ns)
            if len(rest):
                self._wait(int(due_ns[done]))

    def _recorded_ns(self) -> int:
        """The stamp that is due now."""
        return (self._first_ns or 0) + int((self._now() - self._began_s) * self._factor * 1e9)

    def _wait(self, next_ns: int) -> None:
        """Wait for the next frame, but no longer than a tick."""
        wait_s = (next_ns - self._recorded_ns()) / 1e9 / self._factor
        self._sleep(min(max(wait_s, TICK_S / 10), TICK_S))

    def _covered(self, piece: FrameChunk, until_ns: int) -> FrameChunk:
        """Say up to when nothing more will come, where the capture leaves that to its stamps."""
        if piece.coverage is not None:
            return piece
        newest = min(until_ns, self._high_ns)
        return replace(
            piece, coverage=tuple(Coverage(name, since, newest) for name, since in self._channels.items())
        )
