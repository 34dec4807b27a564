"""A span of a source: what came before it or after it is left out, bad lines included.

The span is one of the session clock, as the times of findings are. That clock never steps back, so a span is
one stretch of frames in their order, also where the stamps step: what is in it does not depend on how far
the source is read ahead, and reading can end with it.
"""

from __future__ import annotations

import math
from dataclasses import field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.errors import UsageError
from canmap.frames.session import SessionClock

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.frames.chunks import BadLine, FrameChunk

LONGEST_S = 1e9  # thirty years: longer than any recording, and short enough for stamps in ns


@dataclass(slots=True)
class Window:
    """A half-open span of the session clock, counted from the first frame.

    Attributes:
        from_s: Begin of the span, in s.
        to_s: End of it, excluded.
        before: The clock of the frames before the span, once a frame in it has come; None for the whole.
    """

    from_s: float = 0.0
    to_s: float = math.inf
    before: SessionClock | None = None
    _clock: SessionClock = field(default_factory=SessionClock)

    @classmethod
    def of(cls, span_s: tuple[float, float]) -> Window:
        """Return the window of a span in s.

        Raises:
            UsageError: It is no span of time, or an empty one.
        """
        from_s, to_s = span_s
        if not (0 <= from_s <= LONGEST_S and from_s < to_s and (to_s <= LONGEST_S or math.isinf(to_s))):
            raise UsageError(
                f"The span from {from_s:g} s to {to_s:g} s leaves no time; give seconds from the first "
                "frame, the smaller first."
            )
        return cls(from_s, to_s)

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left out."""
        return self.from_s == 0 and math.isinf(self.to_s)

    def nothing_inside(self) -> str | None:
        """Return what to say of captures whose frames all lie outside; None where no frame came."""
        if self._clock.start_ns is None:
            return None
        lasts_s = (self._clock.now_ns - self._clock.zero_ns) / 1e9
        if lasts_s < self.from_s:
            return (
                f"holds no frame from {self.from_s:g} s on: its frames end {lasts_s:.3f} s after the first "
                "one; begin earlier."
            )
        return (
            f"holds no frame from {self.from_s:g} s to {self.to_s:g} s after its first, only later ones; "
            "take a wider span of time."
        )

    def cut(self, chunks: Iterable[FrameChunk]) -> Iterator[FrameChunk]:
        """Yield what of the chunks, which come in order, is in the span; end soon after it.

        A bad line is where the frame before it is; before the first frame, at the begin.
        """
        if self.is_whole:
            yield from chunks
            return
        inside = self.from_s == 0  # whether the newest frame is
        coverage = None
        for chunk in chunks:
            start, stop = self._rows(chunk)
            kept = chunk.take(slice(start, stop))
            bad, count = _bad_lines(chunk, (start, stop), inside=inside)
            if start < stop:
                coverage = chunk.coverage  # beyond the span, what a capture covers is left out too
            inside = start < stop == len(chunk) if len(chunk) else inside
            if len(kept) or count:
                yield replace(kept, bad=bad, bad_count=count, coverage=coverage)
            if stop < len(chunk):
                return

    def _rows(self, chunk: FrameChunk) -> tuple[int, int]:
        """Return the first frame of a chunk that is in the span, and the first after it."""
        earlier = self._clock.copy() if self.before is None else None
        clock = self._clock.advance(chunk.t_ns)
        since_ns = clock - self._clock.zero_ns
        start = int(np.searchsorted(since_ns, round(self.from_s * 1e9)))
        stop = len(chunk)
        if not math.isinf(self.to_s):
            stop = max(start, int(np.searchsorted(since_ns, round(self.to_s * 1e9))))
        if earlier is not None and start < stop:
            earlier.advance(chunk.t_ns[:start])
            self.before = earlier
        return start, stop


def _bad_lines(chunk: FrameChunk, rows: tuple[int, int], *, inside: bool) -> tuple[tuple[BadLine, ...], int]:
    """Return the bad lines that are kept, and how many there are; those that are not listed stand last."""
    start, stop = rows
    bad = tuple(
        replace(line, position=max(line.position - start, 0))
        for line in chunk.bad
        if (start < line.position <= stop if line.position else inside)
    )
    ends_inside = start < stop == len(chunk) if len(chunk) else inside
    return bad, len(bad) + (chunk.bad_count - len(chunk.bad) if ends_inside else 0)
