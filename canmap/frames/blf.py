"""Frames, BLF: the containers of the binary log to buffers of objects to chunks.

In: a binary stream. Out: chunks; the line of a frame is the number of its object. Nobody publishes the
format; the layout is common practice and is checked against python-can and the captures in its source
package. Stamps are 10 us or 1 ns after a start in the header, which is UTC to the millisecond. What the
header counts is compared with what is there.
"""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from canmap.chunks import CUT_SHORT
from canmap.errors import CaptureError
from canmap.frames.batches import FIRST_YEAR, LATEST_YEAR
from canmap.frames.blfobjects import chunk_of
from canmap.frames.blfwalk import MOST_OBJECT, SIGNATURE, Walk
from canmap.frames.content import MOST_GROWTH, is_too_much, packed_bytes
from canmap.frames.gather import BadObjects
from canmap.frames.textlog import DAMAGE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from canmap.chunks import FrameChunk

MAGIC = b"LOGG"
FILE_HEADER = struct.Struct("<4sL8BQQLL8H8H")
OBJECT_HEADER = struct.Struct("<4sHHLL")  # signature, header size, header version, size, kind
CONTAINER_HEADER = struct.Struct("<H6xL4x")  # method, size of the content
CONTAINER = 10
STORED, DEFLATED = 0, 2
BUFFER = 1 << 20  # bytes of objects that become one chunk


class _Header(NamedTuple):
    size: int  # of the header itself
    file_size: int
    objects: int
    start_ns: int


class _StoppedError(Exception):
    """Nothing more can be read; the text is the reason."""


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
    if len(data) < FILE_HEADER.size or not data.startswith(MAGIC):
        raise CaptureError(f"{name}: this is no BLF capture, or only the beginning of one; check the file.")
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
        self._unpacked = 0
        self._walk = Walk()

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the chunks; the last tells if the capture was cut."""
        rest, stopped, ended = b"", "", False
        contents = self._contents()
        while not ended:
            parts, size = [rest], 0
            # As much as is left, at least, lest a long object be copied again and again.
            while size < max(BUFFER, len(rest)) and not ended:
                try:
                    part = next(contents)
                except (StopIteration, _StoppedError) as reason:
                    ended, stopped = True, str(reason)
                    break
                parts.append(part)
                size += len(part)
            data = b"".join(parts)
            objects, end = self._walk.objects(data)
            rest = data[end:]
            if self._walk.stopped:
                ended, stopped = (
                    True,
                    "the data cannot be read from here on (there are too many damaged objects)",
                )
            bad, self._walk.bad = self._walk.bad, BadObjects()
            if ended and (missing := self._missing(stopped, len(rest.strip(b"\0")))):
                bad.add(self._walk.number + 1, missing)
            yield chunk_of(self._name, data, objects, self._header.start_ns, bad)

    def _missing(self, stopped: str, left: int) -> str:
        """Return how the capture is shorter than it says; empty if it is not."""
        header, number = self._header, self._walk.number
        if stopped:
            return stopped if stopped.startswith("the data") else f"{CUT_SHORT}: {stopped}"
        if self._read < header.file_size:
            return f"{CUT_SHORT}: its header tells of {header.file_size:,} bytes, and it has {self._read:,}"
        if number < header.objects:
            return f"{CUT_SHORT}: its header counts {header.objects:,} objects, and it holds {number:,}"
        if left:
            return f"{CUT_SHORT}, in the middle of an object"
        if not header.objects and number:
            return f"{CUT_SHORT}: its header counts no objects, so the recorder did not close it"
        return ""

    def _take(self, size: int) -> bytes:
        try:
            data = self._stream.read(size)
        except DAMAGE as damage:
            raise _StoppedError(f"the data cannot be read from here on ({damage})") from None
        self._read += len(data)
        return data

    def _contents(self) -> Iterator[bytes]:
        """Yield the content of one container after the other, and objects that stand outside of any.

        Raises:
            _StoppedError: The file is damaged or cut.
        """
        while head := self._take(OBJECT_HEADER.size):
            if len(head) < OBJECT_HEADER.size:
                raise _StoppedError("in the middle of a container")
            signature, _, _, size, kind = OBJECT_HEADER.unpack(head)
            if signature != SIGNATURE or size < OBJECT_HEADER.size or size > MOST_OBJECT:
                raise _StoppedError("the data cannot be read from here on (no container begins here)")
            body = self._take(size - OBJECT_HEADER.size)
            cut = len(body) < size - OBJECT_HEADER.size
            content = self._content(body) if kind == CONTAINER else head + body
            yield from (content[at : at + BUFFER] for at in range(0, len(content), BUFFER))
            if cut:
                raise _StoppedError("in the middle of a container")
            self._take(size % 4)

    def _content(self, body: bytes) -> bytes:
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
        self._unpacked += len(content)
        packed_size = packed_bytes(self._stream, self._read)
        if inflate.unconsumed_tail or is_too_much(self._unpacked, packed_size):
            raise _StoppedError(f"the data unpack to more than {MOST_GROWTH} times their size")
        return content
