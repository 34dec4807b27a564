"""Frames: what a compressed file holds, as a stream, and how much it may be.

In: a binary stream, and what decompresses it. Out: a stream of the content. A small file may unpack to any
amount of nothing; no capture does, so that there is a limit, one for whatever is packed in a file, how often
soever.
"""

from __future__ import annotations

import lzma
import zlib
from io import BufferedReader, RawIOBase
from typing import TYPE_CHECKING

from canmap.frames.unread import CUT_PACKED, damaged

if TYPE_CHECKING:
    from collections.abc import Callable
    from io import BufferedIOBase

    from canmap.frames.unread import Unread

# Bytes that may be unpacked in any case, and how many more for each byte read. Captures unpack to 3 to 30
# times their size; to more than 50 only where a single frame comes again and again.
MOST_CONTENT, MOST_GROWTH = 16 << 20, 64
# Lines that may be read one by one, and up to how many bytes of a file no more than these.
MOST_LINES, SMALL = 80_000, 1 << 20

# What a stream raises that is damaged or cut; OSError covers gzip and bzip2, and the disk itself.
DAMAGE = (EOFError, OSError, zlib.error, lzma.LZMAError)


def is_too_much(unpacked: int, packed: int) -> bool:
    """Whether so many bytes are more than a capture unpacks to out of `packed` bytes of a file."""
    return unpacked > MOST_CONTENT + MOST_GROWTH * packed


def lines_alone(packed: int, before: int) -> int:
    """Return how many lines may still be read one by one, which takes its time, out of `packed` bytes.

    A small file may unpack to any amount of them. Every line of a file that is not packed may be.

    Args:
        packed: Bytes of the file that were read so far.
        before: Lines that may have been read one by one already.
    """
    return max(MOST_LINES + max(packed - SMALL, 0) - before, 0)


def read_up_to(stream: BufferedIOBase, size: int) -> tuple[bytes, Unread | None]:
    """Return up to `size` bytes, fewer only at the end, and why no more can be read; None if they can."""
    parts: list[bytes] = []
    damage = None
    try:
        while size and (part := stream.read1(size)):
            parts.append(part)
            size -= len(part)
    except EOFError:
        damage = CUT_PACKED
    except DAMAGE as error:
        damage = damaged(error)
    return b"".join(parts), damage


def packed_bytes(stream: BufferedIOBase, given: int) -> int:
    """Return the bytes of the file that were read for the first `given` bytes of a stream."""
    raw = getattr(stream, "raw", None)
    return raw.packed if isinstance(raw, Content) else given


class _Counted(RawIOBase):
    """A stream that counts the bytes which are read of it."""

    def __init__(self, stream: BufferedReader) -> None:
        self._stream = stream
        self.count = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        count = self._stream.readinto1(buffer)
        self.count += count
        return count


class Content(RawIOBase):
    """What a compressed stream holds; closes the stream with itself.

    Args:
        unpack: Makes the stream of the content out of the compressed one.
        stream: The compressed one.
    """

    def __init__(self, unpack: Callable[[BufferedReader], BufferedIOBase], stream: BufferedReader) -> None:
        self._stream = stream
        self._counted = _Counted(stream)
        self._content = unpack(BufferedReader(self._counted))
        self._unpacked = 0

    @property
    def packed(self) -> int:
        """Bytes of the compressed stream that were read so far."""
        return self._counted.count

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Read what one step of decompression gives.

        Raises:
            OSError: The data are damaged, or unpack to so much that they are no capture.
        """
        count = self._content.readinto1(buffer)
        self._unpacked += count
        if is_too_much(self._unpacked, self.packed):
            raise OSError(f"they unpack to more than {MOST_GROWTH} times their size; unpack them first")
        return count

    def close(self) -> None:
        """Close the content and the stream."""
        if not self.closed:
            self._content.close()
            self._stream.close()
        super().close()
