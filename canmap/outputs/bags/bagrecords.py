"""The records of an MCAP file one after the other, as far as they are complete; and those in a chunk."""

from __future__ import annotations

import io
import struct
import zlib
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

import numpy as np

from canmap.base.extras import mcap
from canmap.outputs.bags.messagerecords import MESSAGE_OPCODE, RECORD_HEADER, MessageRecords

if TYPE_CHECKING:
    from collections.abc import Iterator

RECORD_HEAD = struct.Struct("<BQ")  # opcode and length, before every record
_SHORT = "the record is too short"
_LARGEST_CHUNK = 1 << 30  # bytes that a chunk may unpack to


class RawRecord(NamedTuple):
    """A record as it stands in a file.

    Attributes:
        opcode: Of what kind it is.
        content: What follows opcode and length.
    """

    opcode: int
    content: bytes

    @property
    def stored(self) -> bytes:
        """All of its bytes."""
        return RECORD_HEAD.pack(self.opcode, len(self.content)) + self.content

    def read(self, kind: Any) -> Any:
        """Return it as the class `kind` of mcap reads it.

        Raises:
            ValueError: It is not as this kind of record is.
        """
        try:
            return kind.read(mcap().data_stream.ReadDataStream(_Content(self.content)))
        except OverflowError as error:
            raise ValueError(_SHORT) from error


class _Content(io.BytesIO):
    """The content of a record, of which no more is read than there is."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Return so many bytes."""
        data = super().read(size)
        if size is not None and len(data) < size:
            raise ValueError(_SHORT)
        return data


class RecordsToRead:
    """The complete records of a file from where it stands; each is in memory as a whole.

    Args:
        file: Where they are.
        at: Offset of the first.
        size: Bytes of the file.

    Attributes:
        at: Offset behind the last complete one that was handed on.
        cut: Opcode of what comes there, which is not complete or (0) no record; None where nothing does.
    """

    def __init__(self, file: BinaryIO, at: int, size: int) -> None:
        self.at = at
        self.cut: int | None = None
        self._file, self._size = file, size

    def __iter__(self) -> Iterator[RawRecord]:
        while head := self._file.read(RECORD_HEAD.size):
            self.cut = head[0]
            if len(head) < RECORD_HEAD.size or self.cut == 0:
                return
            _, length = RECORD_HEAD.unpack(head)
            if self.at + RECORD_HEAD.size + length > self._size:
                return
            content = self._file.read(length)
            if len(content) < length:
                return
            self.at += RECORD_HEAD.size + length
            self.cut = None
            yield RawRecord(head[0], content)


class OpenedChunk(NamedTuple):
    """What is in a chunk.

    Attributes:
        messages: Its message records.
        others: Its other records.
    """

    messages: MessageRecords
    others: list[RawRecord]


def open_chunk(chunk: Any) -> OpenedChunk:
    """Return what is in a chunk record of mcap.

    Raises:
        ValueError: It cannot be unpacked, its checksum is not that of its content, or a record is not whole.
    """
    if not chunk.uncompressed_size <= _LARGEST_CHUNK:
        raise ValueError("it claims to be too large")
    plain = _unpacked(chunk)
    if len(plain) != chunk.uncompressed_size:
        raise ValueError("it has another size than it says")
    if chunk.uncompressed_crc and zlib.crc32(plain) != chunk.uncompressed_crc:
        raise ValueError("its checksum is another")
    return records_in(plain)


def records_in(plain: bytes | bytearray) -> OpenedChunk:
    """Return the records in bytes of which nothing else is there.

    Raises:
        ValueError: One is not whole.
    """
    offsets: list[int] = []
    others: list[RawRecord] = []
    at, size, head = 0, len(plain), RECORD_HEAD
    while at + head.size <= size:
        opcode, length = head.unpack_from(plain, at)
        if opcode == MESSAGE_OPCODE:
            offsets.append(at)
        else:
            others.append(RawRecord(opcode, bytes(plain[at + head.size : at + head.size + length])))
        at += head.size + length
    if at != size:
        raise ValueError("a record is not whole")
    data = np.frombuffer(plain, np.uint8)
    offset = np.array(offsets, np.int64)
    headers = np.array([], RECORD_HEADER)
    if offsets:
        windows = np.ndarray((max(size - RECORD_HEADER.itemsize + 1, 0),), RECORD_HEADER, data, 0, (1,))
        if offsets[-1] >= len(windows):
            raise ValueError("a message is not whole")
        headers = windows[offset]
        if int(headers["length"].min()) < RECORD_HEADER.itemsize - head.size:
            raise ValueError("a message is not whole")
    return OpenedChunk(MessageRecords(data, offset, headers["channel"], headers["log_time"]), others)


def _unpacked(chunk: Any) -> bytes:
    if not chunk.compression:
        return bytes(chunk.data)
    unpack = {"lz4": _from_lz4, "zstd": _from_zstd}.get(chunk.compression)
    if unpack is None:
        raise ValueError("it is compressed in a way that MCAP does not know")
    try:
        return unpack(chunk.data, chunk.uncompressed_size)
    except Exception as error:  # lz4 has only RuntimeError for it, zstandard a class of its own
        raise ValueError("it cannot be unpacked") from error


def _from_lz4(packed: bytes, size: int) -> bytes:
    import lz4.frame  # type: ignore[import-untyped]  # noqa: PLC0415

    decompressor = lz4.frame.LZ4FrameDecompressor()
    plain = bytes(decompressor.decompress(packed, max_length=size + 1))
    if not decompressor.eof:
        raise ValueError("it has no end, or is larger than it says")
    return plain


def _from_zstd(packed: bytes, size: int) -> bytes:
    import zstandard  # noqa: PLC0415

    if zstandard.frame_content_size(packed) > size:
        raise ValueError("it is larger than it says")
    return zstandard.decompress(packed, size)
