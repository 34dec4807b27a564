"""When a chunk may be handed on: at once, or paced as it was recorded. The only module that sleeps."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import Coverage, empty_chunk
from canmap.frames.session import SessionClock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.frames.chunks import FrameChunk

TICK_S = 0.02


class Pace:
    """Hands frames on as fast as they were recorded, times a factor.

    Every tick brings the frames that are due by then; a tick without any brings an empty chunk, so that
    silence shows when it happens and not when the next frame comes. The schedule is kept against the
    monotonic clock from the first frame on, so that lateness of one tick does not add up. A step of the
    recorder's clock neither hurries nor stops it: the schedule is that of the session clock.

    Args:
        factor: Recorded seconds in a second of the wall, above 0.
        now: Monotonic clock, in s.
        sleep: Waits for so many s.

    Attributes:
        session: The clock that it keeps to.
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
        self.session = SessionClock()
        self._channels: dict[str, int] = {}
        self.worst_late_s = 0.0

    def chunks(self, chunk: FrameChunk) -> Iterator[FrameChunk]:
        """Yield the pieces of a chunk, each when it is due."""
        if not len(chunk):
            yield chunk
            return
        if self.session.start_ns is None:
            self._began_s = self._now()
        due_ns = self.session.advance(chunk.t_ns)
        for name in chunk.channels:
            self._channels.setdefault(name, self.session.start_ns or 0)
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
            yield self._covered(piece, chunk.coverage, min(until_ns, self.session.now_ns))
            if len(rest):
                self._wait(int(due_ns[done]))

    def _recorded_ns(self) -> int:
        """The session clock that is due now."""
        return (self.session.start_ns or 0) + int((self._now() - self._began_s) * self._factor * 1e9)

    def _wait(self, next_ns: int) -> None:
        """Wait for the next frame, but no longer than a tick."""
        wait_s = (next_ns - self._recorded_ns()) / 1e9 / self._factor
        self._sleep(min(max(wait_s, TICK_S / 10), TICK_S))

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
