"""Frames, BLF: the containers of the binary log to buffers of objects to chunks.

In: a binary stream. Out: chunks; the line of a frame is the number of its object. Nobody publishes the
format; the layout is what python-can's `can/io/blf.py` reads and writes, and a property test compares the
two. Objects outside of a container are counted and passed over. Stamps are 10 us or 1 ns after a start in the
header, which is UTC to the millisecond. What the header counts is compared with what is there.
"""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.errors import CaptureError
from canmap.frames.batches import FIRST_YEAR, LATEST_YEAR
from canmap.frames.binary.blfobjects import chunk_of
from canmap.frames.binary.blfwalk import MOST_OBJECT, SIGNATURE, Walk
from canmap.frames.binary.gather import BadObjects
from canmap.frames.capture_formats import BLF_MAGIC
from canmap.frames.content import DAMAGE, MOST_GROWTH, is_too_much, packed_bytes, read_up_to
from canmap.frames.unread import cut_short, damaged, stopped

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.unread import Unread

FILE_HEADER = struct.Struct("<4sL8BQQLL8H8H")
OBJECT_HEADER = struct.Struct("<4sHHLL")  # signature, header size, header version, size, kind
CONTAINER_HEADER = struct.Struct("<H6xL4x")  # method, size of the content
CONTAINER, NO_OBJECT = 10, -1
STORED, DEFLATED = 0, 2
# Bytes that an object of the file, and a container, count for, how little soever they hold: they make work.
LEAST_OBJECT, LEAST_CONTENT = 64, 1024
BUFFER = 1 << 20  # bytes of objects that become one chunk
TOO_MANY_DAMAGED = "the data cannot be read from here on (there are too many damaged objects)"


class _Header(NamedTuple):
    size: int  # of the header itself
    file_size: int
    objects: int
    start_ns: int


class _StoppedError(Exception):
    """Nothing more can be read, for the reason `why`."""

    def __init__(self, why: Unread) -> None:
        self.why = why
        super().__init__(str(why))


def read_blf(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a BLF capture.

    Raises:
        CaptureError: It does not begin with the header of one.
    """
    try:
        header = _header(name, stream)
    except DAMAGE as damage:
        raise CaptureError(f"{name}: the data cannot be read ({damage}); copy the file again.") from None
    yield from _Capture(name, stream, header).chunks()


def _header(name: str, stream: BufferedIOBase) -> _Header:
    data = stream.read(FILE_HEADER.size)
    if len(data) < FILE_HEADER.size or not data.startswith(BLF_MAGIC):
        raise CaptureError(f"{name}: this is not a BLF capture, or only the start of one; check the file.")
    fields = FILE_HEADER.unpack(data)
    size, file_size, objects = fields[1], fields[10], fields[12]
    if not FILE_HEADER.size <= size <= 4096:
        raise CaptureError(f"{name}: the header of the BLF capture is damaged; copy the file again.")
    stream.read(size - FILE_HEADER.size)
    return _Header(size, file_size, objects, _start_ns(fields[14:22]))


def _start_ns(time: tuple[int, ...]) -> int:
    """Return a start given as year, month, weekday, day, hour, minute, second, ms; 0 if it is none."""
    year, month, _, day, hour, minute, second, millisecond = time
    if not FIRST_YEAR <= year <= LATEST_YEAR:
        return 0
    try:
        start = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return 0
    return (int(start.timestamp()) * 1000 + min(millisecond, 999)) * 1_000_000


class _Capture:
    """Reads the file in order, and cuts its content into chunks."""

    def __init__(self, name: str, stream: BufferedIOBase, header: _Header) -> None:
        self._name = name
        self._stream = stream
        self._header = header
        self._read = header.size  # bytes of the stream so far
        self._unpacked = self._outside = 0
        self._walk = Walk()

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the chunks; the last tells if the capture was cut."""
        why: Unread | None = None
        rest, ended = b"", False
        contents = self._contents()
        while not ended:
            parts, size = [rest], 0
            # As much as is left, at least, lest a long object be copied again and again.
            while size < max(BUFFER, len(rest)) and not ended:
                try:
                    part = next(contents)
                except StopIteration:
                    ended = True
                    break
                except _StoppedError as stop:
                    ended, why = True, stop.why
                    break
                parts.append(part)
                size += len(part)
            data = b"".join(parts)
            objects, end = self._walk.objects(data)
            rest = data[end:]
            if self._walk.stopped:
                ended, why = True, stopped(TOO_MANY_DAMAGED)
            bad, self._walk.bad = self._walk.bad, BadObjects()
            if ended and (missing := self._missing(why, len(rest.strip(b"\0")))):
                bad.add(self._walk.number + 1, missing)
            yield chunk_of(self._name, data, objects, self._header.start_ns, bad)

    def _missing(self, why: Unread | None, left: int) -> Unread | None:
        """Return how the capture is shorter than it says, or why it was left; None if neither is so."""
        header, number = self._header, self._walk.number + self._outside
        if why:
            return why
        if self._read < header.file_size:
            return cut_short(f"its header states {header.file_size:,} bytes, but it has {self._read:,}")
        if number < header.objects:
            return cut_short(f"its header states {header.objects:,} objects, but it has {number:,}")
        if left:
            return cut_short(inside="an object")
        if not header.objects and number:
            return cut_short("its header counts no objects, so the recorder did not close it")
        return None

    def _contents(self) -> Iterator[bytes]:
        """Yield what containers hold, in their order.

        Raises:
            _StoppedError: The file is damaged or cut.
        """
        damage: Unread | None = None
        rest, position, ended, kind = b"", 0, False, 0
        while not ended:
            size_wanted = max(BUFFER, len(rest))
            more, damage = read_up_to(self._stream, size_wanted)
            self._read += len(more)
            ended = len(more) < size_wanted
            data = rest + more
            count = 0
            size, kind = _object_at(data, position)
            while size:
                if kind == CONTAINER:
                    yield from _in_pieces(
                        self._content(data[position + OBJECT_HEADER.size : position + size])
                    )
                else:
                    self._outside += 1
                position += size + size % 4
                count += 1
                size, kind = _object_at(data, position)
            self._count_unpacked(count * LEAST_OBJECT)
            if kind == NO_OBJECT:
                raise _StoppedError(damaged("no container begins here"))
            rest, position = data[position:], max(position - len(data), 0)
        if rest and kind == CONTAINER:
            yield from _in_pieces(self._content(rest[OBJECT_HEADER.size :]))
        if rest or damage:
            raise _StoppedError(damage or cut_short("in the middle of a container"))

    def _content(self, body: bytes) -> bytes:
        self._count_unpacked(LEAST_CONTENT)
        if len(body) < CONTAINER_HEADER.size:
            return b""
        method, _ = CONTAINER_HEADER.unpack_from(body)
        packed = body[CONTAINER_HEADER.size :]
        if method == STORED:
            return packed
        if method != DEFLATED:
            self._walk.bad.add(
                self._walk.number + 1, f"a container is compressed in an unknown way ({method})"
            )
            return b""
        inflate = zlib.decompressobj()
        try:
            content = inflate.decompress(packed, MOST_OBJECT)
        except zlib.error as error:
            self._walk.bad.add(self._walk.number + 1, f"a container is damaged ({error})")
            return b""
        if inflate.unconsumed_tail:
            raise _StoppedError(damaged("a container holds too much"))
        self._count_unpacked(len(content))
        return content

    def _count_unpacked(self, size: int) -> None:
        self._unpacked += size
        if is_too_much(self._unpacked, packed_bytes(self._stream, self._read)):
            raise _StoppedError(stopped(f"the data unpack to more than {MOST_GROWTH} times their size"))


def _object_at(data: bytes, position: int) -> tuple[int, int]:
    """Return the size and the kind of an object of the file; 0 for the size where it is not whole."""
    if position + OBJECT_HEADER.size > len(data):
        return 0, 0
    signature, _, _, size, kind = OBJECT_HEADER.unpack_from(data, position)
    if signature != SIGNATURE or size < OBJECT_HEADER.size or size > MOST_OBJECT:
        return 0, NO_OBJECT
    return size if position + size <= len(data) else 0, kind


def _in_pieces(content: bytes) -> Iterator[bytes]:
    return (content[at : at + BUFFER] for at in range(0, len(content), BUFFER))
