"""A chunk of MCAP, compressed and under its checksum, from message records."""

from __future__ import annotations

import zlib
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from canmap.base.dataclass import dataclass
from canmap.base.extras import mcap
from canmap.outputs.bags.messageindex import ChunkContents, contents_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.outputs.bags.messagerecords import MessageRecords


class Compression(StrEnum):
    """How the chunks of a bag are compressed."""

    LZ4 = "lz4"
    ZSTD = "zstd"
    NONE = "none"

    @property
    def in_chunk(self) -> str:
        """What a chunk calls it (MCAP registry, "Well-known compression formats")."""
        return "" if self is Compression.NONE else self.value


@dataclass(frozen=True, slots=True)
class SealedChunk:
    """A chunk as it stands in the file, and what is said of it.

    Attributes:
        record: The chunk record; the message indexes follow it.
        compression: As the chunk calls it.
        compressed_size: Bytes of its records, compressed.
        uncompressed_size: Bytes of its records.
        contents: Its message indexes, counts and times.
    """

    record: bytes
    compression: str
    compressed_size: int
    uncompressed_size: int
    contents: ChunkContents


def seal_chunk(records: MessageRecords, compression: Compression) -> SealedChunk:
    """Return a chunk of these records; for any thread.

    Raises:
        UsageError: mcap is not installed.
    """
    library = mcap()
    contents = contents_of(records)
    plain = records.data.data
    compressed = compressor(compression)(plain)
    chunk = library.records.Chunk(
        compression=compression.in_chunk,
        data=compressed,
        message_start_time=contents.start_ns,
        message_end_time=contents.end_ns,
        uncompressed_crc=zlib.crc32(plain),
        uncompressed_size=len(plain),
    )
    return SealedChunk(
        record=written(chunk),
        compression=compression.in_chunk,
        compressed_size=len(compressed),
        uncompressed_size=len(plain),
        contents=contents,
    )


def written(*records: Any) -> bytes:
    """Return records of mcap as bytes, one behind the other."""
    builder = mcap().data_stream.RecordBuilder()
    for record in records:
        record.write(builder)
    return bytes(builder.end())


def compressor(compression: Compression) -> Callable[[memoryview], Any]:
    """Return what compresses the records of a chunk, with the settings that its library has for itself."""
    if compression is Compression.LZ4:
        import lz4.frame  # type: ignore[import-untyped]  # noqa: PLC0415

        return lz4.frame.compress  # type: ignore[no-any-return]
    if compression is Compression.ZSTD:
        import zstandard  # noqa: PLC0415

        return zstandard.compress
    return lambda plain: plain
