"""A bag that was cut off, made whole: everything complete in it, with the index and the end that it lacks."""

from __future__ import annotations

import contextlib
import os
import stat
from typing import TYPE_CHECKING, BinaryIO

from canmap.base.dataclass import dataclass
from canmap.base.errors import CaptureError
from canmap.base.extras import mcap
from canmap.base.unusable import unusable
from canmap.outputs.bags.bagrecords import (
    RECORD_HEAD,
    OpenedChunk,
    RawRecord,
    RecordsToRead,
    open_chunk,
    records_in,
)
from canmap.outputs.bags.bagsummary import MAGIC, BagSummary
from canmap.outputs.bags.messageindex import contents_of
from canmap.outputs.bags.partfile import is_being_written
from canmap.outputs.bags.sealing import Compression, SealedChunk, seal_chunk
from canmap.outputs.files import whole_files
from canmap.outputs.guard import guard_output

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_FULL_BYTES = 1 << 20  # of messages outside chunks, with which they become one
_MADE_ANEW = (0x07, 0x08, 0x0A, 0x0B, 0x0D, 0x0E)  # indexes, statistics, offsets in the summary
_FOOTER = RECORD_HEAD.pack(0x02, 20)
_END = 20 + len(MAGIC) + len(_FOOTER)  # bytes of the footer and the magic behind it


@dataclass(frozen=True, slots=True)
class FinishedBag:
    """What became of a bag that was cut off.

    Attributes:
        path: The whole file.
        messages: Messages in it.
        dropped_bytes: Bytes at the end of the part from the first record on that is not complete, 0 where
            that held no message.
        damaged: Complete records, chunks for the most, that were left out: their checksum is not that of
            their content, or they cannot be read.
    """

    path: str
    messages: int
    dropped_bytes: int
    damaged: int


def finish_bag(part: str, into: str, *, overwrite: bool = False) -> FinishedBag:
    """Write the messages of an MCAP file without its end to a whole one; the part stays as it is.

    Chunks are copied as they are; messages outside chunks are put into some. Memory holds a chunk at a time.

    Args:
        part: The file that was cut off.
        into: The file to write; it appears whole or not at all.
        overwrite: Whether `into` may be replaced where it exists.

    Raises:
        CaptureError: `part` cannot be read, is whole, is being written, or is no MCAP file.
        OutputError: `into` cannot be written, exists, or is `part`.
        UsageError: mcap is not installed.
    """
    mcap()
    with _opened(part) as file:
        size = _require_cut_off(part, file)
        guard_output(into, [part], overwrite=overwrite)
        file.seek(len(MAGIC))
        records = RecordsToRead(file, len(MAGIC), size)
        with whole_files(into) as (name,), open(name, "wb") as target:  # noqa: PTH123
            finishing = _Finishing(target)
            finishing.take(_read(part, records))
            finishing.end()
    return FinishedBag(
        path=into,
        messages=finishing.summary.messages,
        dropped_bytes=0 if finishing.is_at_end or _holds_none(records.cut) else size - records.at,
        damaged=finishing.damaged,
    )


class _Finishing:
    """Writes complete records to a whole file.

    Args:
        target: The file.

    Attributes:
        summary: What its end will say.
        damaged: Complete records left out because they cannot be read.
        is_at_end: Whether the end of the data was reached.
    """

    def __init__(self, target: BinaryIO) -> None:
        self.summary = BagSummary()
        self.damaged = 0
        self.is_at_end = False
        self._target = target
        self._loose = bytearray()  # message records outside chunks
        self._at = 0
        self._write(MAGIC)

    def take(self, records: Iterable[RawRecord]) -> None:
        """Write what belongs to the data, the header first; whatever follows its end is made anew."""
        opcode = mcap().opcode.Opcode
        for record in records:
            if (record.opcode, len(record.content)) in ((opcode.DATA_END, 4), (opcode.FOOTER, 20)):
                self.is_at_end = True
                return
            if record.opcode == opcode.MESSAGE:
                self._loose += record.stored
                if len(self._loose) >= _FULL_BYTES:
                    self._gather()
            elif record.opcode not in _MADE_ANEW:
                self._gather()
                with self._damage_counted():
                    self._copy(record)

    def end(self) -> None:
        """Write the end."""
        self._gather()
        self._write(self.summary.end(self._at))

    @contextlib.contextmanager
    def _damage_counted(self) -> Iterator[None]:
        try:
            yield
        except ValueError:
            self.damaged += 1

    def _copy(self, record: RawRecord) -> None:
        opcode = mcap().opcode.Opcode
        if record.opcode == opcode.CHUNK:
            self._copy_chunk(record)
            return
        if record.opcode in (opcode.DATA_END, opcode.FOOTER):
            raise ValueError("it is no end")
        self._note(record)
        self._write(record.stored)

    def _copy_chunk(self, record: RawRecord) -> None:
        chunk = record.read(mcap().records.Chunk)
        opened = open_chunk(chunk)
        sealed = SealedChunk(
            record=record.stored,
            compression=chunk.compression,
            compressed_size=len(chunk.data),
            uncompressed_size=chunk.uncompressed_size,
            contents=contents_of(opened.messages),
        )
        self._put(opened, sealed)

    def _gather(self) -> None:
        """Write the messages outside chunks as one."""
        loose, self._loose = self._loose, bytearray()
        if loose:
            with self._damage_counted():
                opened = records_in(loose)
                self._put(opened, seal_chunk(opened.messages, Compression.LZ4))

    def _put(self, opened: OpenedChunk, chunk: SealedChunk) -> None:
        """Write a chunk.

        Raises:
            ValueError: It has messages of channels that the file does not describe.
        """
        opcode = mcap().opcode.Opcode
        for record in opened.others:
            if record.opcode in (opcode.SCHEMA, opcode.CHANNEL):
                self._note(record)
        if chunk.contents.counts.keys() - self.summary.channels.keys():
            raise ValueError("a channel is not described")
        self.summary.note_chunk(chunk, self._at)
        self._write(chunk.record)
        self._write(chunk.contents.index)

    def _note(self, record: RawRecord) -> None:
        """Note for the summary what a record holds.

        Raises:
            ValueError: It cannot be read, or contradicts another.
        """
        library = mcap()
        kinds, opcode = library.records, library.opcode.Opcode
        length = RECORD_HEAD.size + len(record.content)
        if record.opcode == opcode.SCHEMA:
            schema = record.read(kinds.Schema)
            if self.summary.schemas.setdefault(schema.id, schema) != schema:
                raise ValueError("another schema has its id")
        elif record.opcode == opcode.CHANNEL:
            channel = record.read(kinds.Channel)
            if channel.schema_id and channel.schema_id not in self.summary.schemas:
                raise ValueError("its schema is not described")
            if self.summary.channels.setdefault(channel.id, channel) != channel:
                raise ValueError("another channel has its id")
        elif record.opcode == opcode.METADATA:
            self.summary.note_metadata(record.read(kinds.Metadata).name, self._at, length)
        elif record.opcode == opcode.ATTACHMENT:
            self.summary.note_attachment(record.read(kinds.Attachment), self._at, length)

    def _write(self, data: bytes) -> None:
        self._target.write(data)
        self._at += len(data)


def _holds_none(cut: int | None) -> bool:
    """Whether a record with this opcode is one that tells of messages and holds none; so does no record."""
    return cut is None or cut == mcap().opcode.Opcode.MESSAGE_INDEX


@contextlib.contextmanager
def _opened(part: str) -> Iterator[BinaryIO]:
    try:
        file = open(part, "rb", opener=_at_once)  # noqa: SIM115
    except (OSError, ValueError) as error:
        raise CaptureError(f"{part}: {unusable(error, part).unread}.") from error
    with file:
        yield file


def _at_once(path: str, flags: int) -> int:
    """Open a file without waiting, as a pipe would have it, for whoever writes to it."""
    return os.open(path, flags | os.O_NONBLOCK)


def _require_cut_off(part: str, file: BinaryIO) -> int:
    """Return the size of an MCAP file without its end."""
    found = os.fstat(file.fileno())
    if not stat.S_ISREG(found.st_mode):
        raise CaptureError(f"{part}: this is not an ordinary file; name one that was cut off.")
    if is_being_written(file.fileno()):
        raise CaptureError(f"{part}: this file is still being written; wait until its writer has ended.")
    if file.read(len(MAGIC)) != MAGIC:
        raise CaptureError(f"{part}: this is no MCAP file; name one that was cut off.")
    if found.st_size >= len(MAGIC) + _END:
        file.seek(-_END, os.SEEK_END)
        end = file.read(_END)
        if end.startswith(_FOOTER) and end.endswith(MAGIC):
            raise CaptureError(f"{part}: this file is whole and needs no finishing; use it as it is.")
    return found.st_size


def _read(part: str, records: RecordsToRead) -> Iterator[RawRecord]:
    """Yield the records of the part, the header first."""
    it = iter(records)
    try:
        first = next(it, None)
        if first is None or first.opcode != mcap().opcode.Opcode.HEADER:
            raise CaptureError(f"{part}: this file ends before its header is complete, with nothing in it.")
        yield first
        yield from it
    except OSError as error:
        if isinstance(error, CaptureError):
            raise
        raise CaptureError(f"{part}: {unusable(error, part).unread}.") from error
