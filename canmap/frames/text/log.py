"""Frames, SocketCAN text: a stream of bytes to blocks of whole lines to pieces.

In: a binary stream, read in order and in a thread of its own, so that decompression runs beside parsing.
Out: pieces, each of which parses one block. Memory holds a few blocks, whatever the length of the capture
and of its lines.
"""

from __future__ import annotations

from functools import partial
from itertools import chain, repeat
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import CaptureError
from canmap.frames.content import DAMAGE, lines_alone, packed_bytes
from canmap.frames.source import Piece, Progress, Reached, ReadAhead
from canmap.frames.text.block import LINE_FEED, SLACK, TextBlock, parse_block
from canmap.frames.text.line import LONGEST_LINE
from canmap.frames.unread import CUT_PACKED, cut_short, damaged

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable, Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.unread import Unread

KIB = 1024
FIRST_SIZES = (256 * KIB, 256 * KIB, 1024 * KIB)  # small, so that the other stages start soon
SIZE = 8192 * KIB
NO_END = cut_short(inside="a line")
FEW = 2048  # bytes of a block of which one line may always be read alone


class TextLog:
    """A SocketCAN text log as a `FrameSource`.

    Args:
        name: Name of the capture, as the user gave it.
        stream: Where its text is read from; closed at the end.
        progress: Tells how much of the file has been read.
        sizes: Bytes of each block, without end.
    """

    live = False

    def __init__(
        self,
        name: str,
        stream: BufferedIOBase,
        progress: Progress = lambda: (0, None),
        sizes: Iterable[int] | None = None,
    ) -> None:
        self._progress = progress
        self.captures: tuple[str, ...] = (name,)
        self._stream = stream
        self._sizes = chain(FIRST_SIZES, repeat(SIZE)) if sizes is None else sizes
        self._blocks: ReadAhead[TextBlock] | None = None

    def pieces(self) -> Iterator[Piece]:
        """Yield one piece per block, in order; only once."""
        read = blocks(self.captures[0], self._stream, self._sizes)
        self._blocks = ReadAhead(_closing(self._stream, read), self._progress)
        for block in self._blocks:
            yield partial(_parse, block)

    def progress(self) -> Reached:
        """Return how much was read for the pieces yielded so far."""
        return self._blocks.reached if self._blocks else (0, None)

    def close(self) -> None:
        """Stop reading."""
        if self._blocks is None:
            self._stream.close()
        else:
            self._blocks.close()  # its thread closes the stream, which it may be reading from just now


def _closing(stream: BufferedIOBase, items: Iterator[TextBlock]) -> Generator[TextBlock, None, None]:
    with stream:
        yield from items


def _parse(block: TextBlock) -> FrameChunk:
    chunk = parse_block(block)
    if block.damage and block.first_line == 1 and not len(chunk):
        raise CaptureError(f"{block.capture}: {block.damage}, and no frame comes before that; copy it again.")
    return chunk


def blocks(name: str, stream: BufferedIOBase, sizes: Iterable[int]) -> Iterator[TextBlock]:
    """Cut a stream into blocks of whole lines, of about `sizes` bytes each.

    Of the beginning of a line, LONGEST_LINE bytes and one more are kept until its end comes: enough to refuse
    a longer one. A last line without its end is never taken as whole, for whatever it tells may be the
    beginning of something else: a payload is cut at an even digit as easily as at an odd one.
    """
    first_line, given = 1, 0
    rest = np.empty(0, np.uint8)
    for size in sizes:
        data = np.empty(len(rest) + size + SLACK, np.uint8)
        data[: len(rest)] = rest
        filled, ended, damage = _fill(stream, data[len(rest) : -SLACK])
        given += filled
        filled += len(rest)
        whole = _after_last_line_feed(data[:filled])
        if ended and not damage and data[whole:filled].tobytes().strip():
            damage = NO_END
        if whole or damage:
            alone = whole // FEW + lines_alone(packed_bytes(stream, given), first_line - 1)
            yield TextBlock(name, data, whole, first_line, damage, alone)
            first_line += int(np.count_nonzero(data[:whole] == LINE_FEED))
        if ended:
            return
        rest = data[whole:filled][: LONGEST_LINE + 1].copy()


def _fill(stream: BufferedIOBase, space: NDArray[np.uint8]) -> tuple[int, bool, Unread | None]:
    """Read until `space` is full; return the bytes read, whether the stream ended, and its damage."""
    filled = 0
    try:
        while filled < len(space):
            count = stream.readinto1(space[filled:].data)
            if not count:
                return filled, True, None
            filled += count
    except EOFError:
        return filled, True, CUT_PACKED
    except DAMAGE as error:
        return filled, True, damaged(error)
    return filled, False, None


def _after_last_line_feed(data: NDArray[np.uint8]) -> int:
    """Return the length of the whole lines at the beginning of `data`."""
    end = data[-LONGEST_LINE:]  # where it mostly is
    for part in (end, data):
        found = part.tobytes().rfind(b"\n")
        if found >= 0:
            return len(data) - len(part) + found + 1
    return 0
