"""The end of a bag: what it holds and where everything is, gathered while the rest is written."""

from __future__ import annotations

import struct
import zlib
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from canmap.base.extras import mcap
from canmap.outputs.bags.sealing import written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.outputs.bags.sealing import SealedChunk

MAGIC = b"\x89MCAP0\r\n"
_FOOTER_HEAD = struct.Struct("<BQQQ")  # what of the footer is under the checksum of the summary
_FOOTER_LENGTH = 20


class BagSummary:
    """What the end of a bag says of the rest.

    Attributes:
        schemas: Schema records by id.
        channels: Channel records by id.
        chunks: Chunk index records, one a chunk.
        attachments: Attachment index records.
        metadata: Metadata index records.
        counts: Messages by the id of their channel.
    """

    def __init__(self) -> None:
        """Begin with nothing.

        Raises:
            UsageError: mcap is not installed.
        """
        self._library = mcap()
        self.schemas: dict[int, Any] = {}
        self.channels: dict[int, Any] = {}
        self.chunks: list[Any] = []
        self.attachments: list[Any] = []
        self.metadata: list[Any] = []
        self.counts: defaultdict[int, int] = defaultdict(int)

    @property
    def messages(self) -> int:
        """Messages of all chunks."""
        return sum(self.counts.values())

    def note_chunk(self, chunk: SealedChunk, offset: int) -> None:
        """Note a chunk that begins at `offset` of the file, with its message indexes behind it."""
        contents = chunk.contents
        index_at = offset + len(chunk.record)
        for channel, count in contents.counts.items():
            self.counts[channel] += count
        self.chunks.append(
            self._library.records.ChunkIndex(
                message_start_time=contents.start_ns,
                message_end_time=contents.end_ns,
                chunk_start_offset=offset,
                chunk_length=len(chunk.record),
                message_index_offsets={
                    channel: index_at + begin for channel, begin in contents.offsets.items()
                },
                message_index_length=len(contents.index),
                compression=chunk.compression,
                compressed_size=chunk.compressed_size,
                uncompressed_size=chunk.uncompressed_size,
            )
        )

    def note_metadata(self, name: str, offset: int, length: int) -> None:
        """Note a metadata record of `length` bytes that begins at `offset` of the file."""
        self.metadata.append(self._library.records.MetadataIndex(offset=offset, length=length, name=name))

    def note_attachment(self, attachment: Any, offset: int, length: int) -> None:
        """Note an attachment whose record of `length` bytes begins at `offset` of the file."""
        self.attachments.append(
            self._library.records.AttachmentIndex(
                offset=offset,
                length=length,
                log_time=attachment.log_time,
                create_time=attachment.create_time,
                data_size=len(attachment.data),
                name=attachment.name,
                media_type=attachment.media_type,
            )
        )

    def end(self, at: int) -> bytes:
        """Return the end of a file whose data ends at `at`: the end of the data, summary, footer, magic."""
        records = self._library.records
        data_end = written(records.DataEnd(data_section_crc=0))  # 0: not worked out
        summary_at = at + len(data_end)
        groups = self._groups()
        summary, offsets = b"", []
        for opcode, group in groups:
            content = written(*group)
            offsets.append(
                records.SummaryOffset(
                    group_opcode=opcode, group_start=summary_at + len(summary), group_length=len(content)
                )
            )
            summary += content
        offsets_at = summary_at + len(summary)
        summary += written(*offsets)
        head = _FOOTER_HEAD.pack(self._library.opcode.Opcode.FOOTER, _FOOTER_LENGTH, summary_at, offsets_at)
        footer = records.Footer(
            summary_start=summary_at,
            summary_offset_start=offsets_at,
            summary_crc=zlib.crc32(head, zlib.crc32(summary)),
        )
        return data_end + summary + written(footer) + MAGIC

    def _groups(self) -> list[tuple[int, Sequence[Any]]]:
        """Return the records of the summary by their opcode, without those of which there is none."""
        opcode = self._library.opcode.Opcode
        groups: list[tuple[int, Sequence[Any]]] = [
            (opcode.SCHEMA, list(self.schemas.values())),
            (opcode.CHANNEL, list(self.channels.values())),
            (opcode.STATISTICS, [self._statistics()]),
            (opcode.CHUNK_INDEX, self.chunks),
            (opcode.ATTACHMENT_INDEX, self.attachments),
            (opcode.METADATA_INDEX, self.metadata),
        ]
        return [(code, group) for code, group in groups if group]

    def _statistics(self) -> Any:
        with_messages = [chunk for chunk in self.chunks if chunk.message_index_offsets]
        return self._library.records.Statistics(
            message_count=self.messages,
            schema_count=len(self.schemas),
            channel_count=len(self.channels),
            attachment_count=len(self.attachments),
            metadata_count=len(self.metadata),
            chunk_count=len(self.chunks),
            message_start_time=min((chunk.message_start_time for chunk in with_messages), default=0),
            message_end_time=max((chunk.message_end_time for chunk in with_messages), default=0),
            channel_message_counts=dict(sorted(self.counts.items())),
        )
