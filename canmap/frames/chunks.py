"""What flows between the stages: columns of frames, in arrival order.

A chunk is a handful of NumPy arrays of equal length, never a list of objects. It is frozen; the
arrays are not written to after they were handed on.
"""

from __future__ import annotations

from dataclasses import replace
from enum import IntEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.unread import UnreadKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.frames.unread import Unread

CLASSIC_WIDTH = 8
FD_WIDTH = 64
FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)  # of FD payloads, by length code (ISO 11898-1)


class FrameKind(IntEnum):
    """What a frame is; the values of `FrameChunk.kind`."""

    DATA = 0
    REMOTE = 1
    ERROR = 2


# Bits of `FrameChunk.flags`.
FLAG_FD = 0x01
FLAG_BIT_RATE_SWITCH = 0x02
FLAG_ERROR_PASSIVE = 0x04  # error state indicator of an FD frame
FLAG_RECEIVED = 0x08  # direction, where the capture tells it; neither bit: not stated
FLAG_SENT = 0x10

# The longest pause between two captures that counts as covered, as when a recorder begins its next file. It
# is no longer than the silences that are judged, so that a frame more or less is no news.
LONGEST_BREAK_NS = 100_000_000


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line or object of a capture that could not be read.

    Attributes:
        position: Number of frames of the same chunk that stand before it.
        capture: Name of the capture, as the user gave it.
        line: Line or object number in it, from 1.
        why: What of it was not read, and why.
    """

    position: int
    capture: str
    line: int
    why: Unread

    @property
    def truncated(self) -> bool:
        """Whether it tells that the capture was cut."""
        return self.why.kind is UnreadKind.CUT_SHORT

    @property
    def reason(self) -> str:
        """Why, as the end of a sentence: "the payload has an odd number of digits"."""
        return str(self.why)

    @property
    def text(self) -> str:
        """One sentence."""
        return self.why.sentence(self.capture, self.line)


@dataclass(frozen=True, slots=True)
class Coverage:
    """The span in which a recorder listened to a channel.

    It holds for all frames of its chunk: a chunk begins where a recorder begins to listen, and ends where
    one ends.

    Attributes:
        channel: Channel name.
        since_ns: Session clock from which on the channel is covered without a break.
        until_ns: Session clock up to which it is, and nothing earlier will follow; None: to the newest frame.
        recorders: How many listen to it now.
    """

    channel: str
    since_ns: int
    until_ns: int | None = None
    recorders: int = 1


@dataclass(frozen=True, slots=True)
class FrameChunk:
    """Frames in arrival order, as columns.

    Attributes:
        channels: Names that `channel` indexes; local to the chunk.
        t_ns: int64[n], stamps in nanoseconds, as the source wrote them.
        channel: uint8[n], index into `channels`.
        can_id: uint32[n], identifier without flag bits (the class bits for an error frame).
        extended: bool[n], 29-bit identifier.
        kind: uint8[n], a `FrameKind`.
        flags: uint8[n], the FLAG_ bits.
        length: uint8[n], payload bytes (for a remote frame the length asked for).
        payload: uint8[n, width], width 8 or 64, C-contiguous, zero beyond `length`.
        line: int64[n], line or object number in the capture, from 1.
        bad: The lines that could not be read, in order; capped by the reader.
        bad_count: How many there were in all.
        coverage: What was listened to, where several recorders or a live bus make that a question;
            None for a single capture, which covers each of its channels from its first to its newest stamp.
    """

    channels: tuple[str, ...]
    t_ns: NDArray[np.int64]
    channel: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    extended: NDArray[np.bool_]
    kind: NDArray[np.uint8]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    line: NDArray[np.int64]
    bad: tuple[BadLine, ...] = ()
    bad_count: int = 0
    coverage: tuple[Coverage, ...] | None = None

    def __len__(self) -> int:
        return len(self.t_ns)

    def take(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> FrameChunk:
        """Return the frames at `rows`, without the bad lines and the coverage."""
        columns = rows_of({name: getattr(self, name) for name in COLUMNS}, rows)
        return replace(self, **columns, bad=(), bad_count=0, coverage=None)

    def split(self, points: Sequence[int]) -> list[FrameChunk]:
        """Return the chunk cut before each of the frames `points` (ascending, repeats allowed).

        Handing on the pieces in order means the same as handing on the whole. A bad line goes with the
        frame before which it stands, those at the very end with the last piece.
        """
        bounds = [0, *points, len(self)]
        spans = list(pairwise(bounds))
        return [self._piece(start, stop, final=i == len(spans) - 1) for i, (start, stop) in enumerate(spans)]

    def _piece(self, start: int, stop: int, *, final: bool) -> FrameChunk:
        bad = tuple(
            replace(line, position=line.position - start)
            for line in self.bad
            if start <= line.position < stop or (final and line.position >= start)
        )
        unlisted = self.bad_count - len(self.bad) if final else 0
        return replace(
            self.take(slice(start, stop)),
            bad=bad,
            bad_count=len(bad) + unlisted,
            coverage=self.coverage if final else self._coverage_before(),
        )

    def _coverage_before(self) -> tuple[Coverage, ...] | None:
        """Coverage of a part that frames follow: it promises no more than its own newest frame keeps."""
        if self.coverage is None:
            return None
        return tuple(replace(span, until_ns=None) if span.recorders else span for span in self.coverage)


COLUMNS = ("t_ns", "channel", "can_id", "extended", "kind", "flags", "length", "payload", "line")
_DTYPES: dict[str, Any] = {
    "t_ns": np.int64,
    "channel": np.uint8,
    "can_id": np.uint32,
    "extended": np.bool_,
    "kind": np.uint8,
    "flags": np.uint8,
    "length": np.uint8,
    "line": np.int64,
}


def rows_of(columns: dict[str, Any], rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> dict[str, Any]:
    """Return some rows of columns, by their names; of payloads, `take` is ten times as fast as an index."""
    if isinstance(rows, slice):
        return {name: column[rows] for name, column in columns.items()}
    places = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
    return {name: column.take(places, axis=0) for name, column in columns.items()}


def empty_chunk(channels: tuple[str, ...] = (), frames: int = 0, width: int = CLASSIC_WIDTH) -> FrameChunk:
    """Return a chunk of `frames` frames with every column zero."""
    columns: dict[str, Any] = {name: np.zeros(frames, dtype) for name, dtype in _DTYPES.items()}
    return FrameChunk(channels=channels, payload=np.zeros((frames, width), np.uint8), **columns)


def widen(payload: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """Return `payload` uint8[n, w] padded with zeros to `width` columns."""
    if payload.shape[1] == width:
        return payload
    wide = np.zeros((len(payload), width), np.uint8)
    wide[:, : payload.shape[1]] = payload
    return wide


def join(chunks: Iterable[FrameChunk]) -> FrameChunk:
    """Return one chunk with the frames of `chunks` one after the other; coverage is that of the last."""
    parts = list(chunks)
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return empty_chunk()
    channels = tuple(dict.fromkeys(name for part in parts for name in part.channels))
    width = max(part.payload.shape[1] for part in parts)
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in COLUMNS
        if name not in {"channel", "payload"}
    }
    columns["channel"] = np.concatenate([_renumber(part, channels) for part in parts])
    columns["payload"] = np.concatenate([widen(part.payload, width) for part in parts])
    return FrameChunk(
        channels=channels,
        **columns,
        bad=_joined_bad_lines(parts),
        bad_count=sum(part.bad_count for part in parts),
        coverage=parts[-1].coverage,
    )


def _renumber(part: FrameChunk, channels: tuple[str, ...]) -> NDArray[np.uint8]:
    numbers = np.array([channels.index(name) for name in part.channels] or [0], np.uint8)
    return numbers[part.channel]


def _joined_bad_lines(parts: list[FrameChunk]) -> tuple[BadLine, ...]:
    bad: list[BadLine] = []
    before = 0
    for part in parts:
        bad += [replace(line, position=line.position + before) for line in part.bad]
        before += len(part)
    return tuple(bad)
