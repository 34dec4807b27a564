"""A span of a source: what came before it or after it is left out, bad lines included."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.chunks import FrameChunk
    from canmap.frames.source import Piece

LONGEST_S = 1e9  # thirty years: longer than any recording, and short enough for stamps in ns


@dataclass(slots=True)
class Window:
    """A half-open span of stamps, counted from the first frame.

    Attributes:
        from_s: Begin of the span, in s.
        to_s: End of it, excluded.
        first_ns: The first stamp of the whole, once a frame has come.
        newest_ns: The latest stamp of each chunk that was cut.
    """

    from_s: float = 0.0
    to_s: float = math.inf
    first_ns: int | None = None
    newest_ns: list[int] = field(default_factory=list)  # appended to by several threads

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

    def nothing_inside(self) -> str | None:
        """Return what to say of captures whose frames all lie outside; None where no frame was seen."""
        if self.first_ns is None or not self.newest_ns:
            return None
        from_ns = self.first_ns + round(self.from_s * 1e9)
        lasts_s = (max(self.newest_ns) - self.first_ns) / 1e9
        if max(self.newest_ns) < from_ns:
            return (
                f"holds no frame from {self.from_s:g} s on: its frames end {lasts_s:.3f} s after the first "
                "one; begin sooner."
            )
        return (
            f"holds no frame from {self.from_s:g} s to {self.to_s:g} s after its first, but later ones; "
            "take a wider span of time."
        )

    def cut(self, pieces: Iterator[Piece]) -> Iterator[Piece]:
        """Yield the pieces of the span; the first frame must be known before any can be cut."""
        if self.from_s == 0 and math.isinf(self.to_s):
            yield from pieces
            return
        for piece in pieces:
            chunk = piece()
            if len(chunk):
                break
        else:
            return
        self.first_ns = int(chunk.t_ns[0])
        begin_ns = self.first_ns + round(self.from_s * 1e9)
        end_ns = None if math.isinf(self.to_s) else self.first_ns + round(self.to_s * 1e9)
        over = _Over(self.newest_ns)
        yield _Cut(lambda: chunk, begin_ns, end_ns, over)
        for piece in pieces:
            if over.is_over:
                return
            yield _Cut(piece, begin_ns, end_ns, over)


@dataclass(slots=True)
class _Over:
    """Whether a chunk has come that lies wholly after the span, and the latest stamp of each chunk."""

    newest_ns: list[int]
    is_over: bool = False


@dataclass(frozen=True, slots=True)
class _Cut:
    """A piece, cut to a span when it is parsed."""

    piece: Piece
    begin_ns: int
    end_ns: int | None
    over: _Over

    def __call__(self) -> FrameChunk:
        chunk = self.piece()
        inside = chunk.t_ns >= self.begin_ns
        if len(chunk):
            self.over.newest_ns.append(int(chunk.t_ns.max()))
        if self.end_ns is not None:
            inside &= chunk.t_ns < self.end_ns
            if len(chunk) and int(chunk.t_ns.min()) >= self.end_ns:
                self.over.is_over = True
        if inside.all():
            return chunk
        rows = np.flatnonzero(inside)
        if not len(rows):
            return replace(chunk.take(slice(0, 0)), coverage=chunk.coverage)
        first, last = int(rows[0]), int(rows[-1])
        bad = tuple(
            replace(line, position=int(np.searchsorted(rows, line.position)))
            for line in chunk.bad
            if first <= line.position <= last + 1
        )
        return replace(chunk.take(rows), bad=bad, bad_count=len(bad), coverage=chunk.coverage)
