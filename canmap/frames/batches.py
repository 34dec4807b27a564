"""Frames: rows read one after the other, to chunks, to a source.

In: a generator that reads a stream in order and yields chunks. Out: a `FrameSource` that runs it in a thread
of its own, a chunk ahead. Readers of text and of small binary formats gather their frames in a `Batch`.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import CaptureError
from canmap.frames.chunks import CLASSIC_WIDTH, FD_LENGTHS, FD_WIDTH, FLAG_FD, BadLine, FrameChunk, FrameKind
from canmap.frames.row import EXTENDED_LIMIT, STANDARD_LIMIT, Row, UnreadableError
from canmap.frames.source import MOST_BAD_LINES, MOST_CHANNELS, Piece, Progress, Reached, ReadAhead
from canmap.frames.unread import as_unread

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator
    from io import BufferedIOBase

    from canmap.frames.unread import Unread

ROWS = 8192  # frames of a chunk
UNNAMED_CHANNEL = "1"  # where the format tells none
NS = 1_000_000_000
LATEST_NS = 2**63 - NS
FIRST_YEAR, LATEST_YEAR = 1970, 2261  # the last whole one of which ns since 1970 fit in 64 bits


def checked(row: Row) -> Row:
    """Return `row` if such a frame can be on a bus.

    Raises:
        UnreadableError: It cannot.
    """
    if not -LATEST_NS < row.t_ns < LATEST_NS:
        raise UnreadableError("the stamp is too late for nanoseconds in 64 bits")
    if row.can_id > (EXTENDED_LIMIT if row.extended or row.kind == FrameKind.ERROR else STANDARD_LIMIT):
        raise UnreadableError(f"the identifier {row.can_id:X} has more bits than its kind of frame")
    if row.kind == FrameKind.REMOTE:
        if row.flags & FLAG_FD:
            raise UnreadableError("an FD frame cannot be a remote frame")
        if row.length > CLASSIC_WIDTH:
            raise UnreadableError(f"a remote frame asks for up to 8 bytes, not {row.length}")
    elif row.flags & FLAG_FD:
        if row.length not in FD_LENGTHS:
            raise UnreadableError(f"an FD frame cannot carry {row.length} bytes")
    elif row.length > CLASSIC_WIDTH:
        raise UnreadableError(f"a classic frame carries up to 8 bytes, not {row.length}")
    if row.kind != FrameKind.REMOTE and len(row.payload) != row.length:
        raise UnreadableError(f"it states {row.length} bytes of payload, but has {len(row.payload)}")
    return row


def too_many_channels(capture: str) -> str:
    """Return what is reported of a capture with more channels than a chunk can number."""
    return f"{capture}: it holds more than {MOST_CHANNELS} channels; check that it is undamaged."


class Batch:
    """Rows and bad lines on their way into one chunk.

    Args:
        capture: Name of the capture, as the user gave it.
    """

    def __init__(self, capture: str) -> None:
        self._capture = capture
        self._rows: list[Row] = []
        self._lines: list[int] = []
        self._bad: list[BadLine] = []
        self._bad_count = 0

    def __len__(self) -> int:
        """Rows and bad lines so far."""
        return len(self._rows) + self._bad_count

    def add(self, row: Row, line: int) -> None:
        """Take in a frame."""
        self._rows.append(row)
        self._lines.append(line)

    def add_bad(self, line: int, why: str | Unread, count: int = 1) -> None:
        """Note that a line or object cannot be read, or the first of so many for the same reason."""
        self._bad_count += count
        if len(self._bad) < MOST_BAD_LINES:
            self._bad.append(BadLine(len(self._rows), self._capture, line, as_unread(why)))

    def chunk(self) -> FrameChunk:
        """Return what was gathered, and begin anew."""
        rows, count = self._rows, len(self._rows)
        columns = list(zip(*rows, strict=True)) if rows else [()] * len(Row._fields)
        t_ns, channel, can_id, extended, kind, flags, length, payload = columns
        channels = tuple(dict.fromkeys(channel))
        if len(channels) > MOST_CHANNELS:
            raise CaptureError(too_many_channels(self._capture))
        numbers = {name: number for number, name in enumerate(channels)}
        width = CLASSIC_WIDTH if max(map(len, payload), default=0) <= CLASSIC_WIDTH else FD_WIDTH
        data = b"".join([part.ljust(width, b"\0") for part in payload])
        chunk = FrameChunk(
            channels=channels,
            t_ns=np.array(t_ns, np.int64),
            channel=np.array([numbers[name] for name in channel], np.uint8),
            can_id=np.array(can_id, np.uint32),
            extended=np.array(extended, np.bool_),
            kind=np.array(kind, np.uint8),
            flags=np.array(flags, np.uint8),
            length=np.array(length, np.uint8),
            payload=np.frombuffer(data, np.uint8).reshape(count, width),
            line=np.array(self._lines, np.int64),
            bad=tuple(self._bad),
            bad_count=self._bad_count,
        )
        self._rows, self._lines, self._bad, self._bad_count = [], [], [], 0
        return chunk


class BatchedCapture:
    """A capture that is read in order, as a `FrameSource`.

    Args:
        read: Makes the chunks of a capture's name and stream; raises `CaptureError` if it is unusable.
        name: Name of the capture, as the user gave it.
        stream: Its content; closed at the end.
        progress: Tells how much of the file has been read.
    """

    live = False

    def __init__(
        self,
        read: Callable[[str, BufferedIOBase], Iterable[FrameChunk]],
        name: str,
        stream: BufferedIOBase,
        progress: Progress,
    ) -> None:
        self._progress = progress
        self.captures: tuple[str, ...] = (name,)
        self._read = read
        self._stream = stream
        self._chunks: ReadAhead[FrameChunk] | None = None

    def pieces(self) -> Iterator[Piece]:
        """Yield one piece per chunk, in order; only once."""
        self._chunks = ReadAhead(self._closing(), self._progress)
        for chunk in self._chunks:
            yield partial(_same, chunk)

    def _closing(self) -> Generator[FrameChunk, None, None]:
        with self._stream:
            yield from self._read(self.captures[0], self._stream)

    def progress(self) -> Reached:
        """Return how much was read for the pieces yielded so far."""
        return self._chunks.reached if self._chunks else (0, None)

    def close(self) -> None:
        """Stop reading."""
        if self._chunks is None:
            self._stream.close()
        else:
            self._chunks.close()  # its thread closes the stream, which it may be reading from just now


def _same(chunk: FrameChunk) -> FrameChunk:
    return chunk
