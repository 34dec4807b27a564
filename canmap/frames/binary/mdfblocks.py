"""Frames, MDF 4: the blocks of a file to the groups of its records and where the values lie in them.

In: a file. Out: its data groups. A block is an id, its length and the links to other blocks, then what it
tells. Each block here is the next or the first one of exactly one other, so that a block which is reached
again shows a damaged link, and following them comes to an end.

Source: the blocks, and the order of their links and fields, are those of ASAM MDF 4.1 (from memory), checked
against the files that asammdf writes.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from canmap.base.errors import readable
from canmap.frames.binary.mdf_layout import CHANNEL_GROUP, HEADER, HEADER_PLACE, LINK, MASTER, TIME
from canmap.frames.capture_formats import MDF_UNFINISHED
from canmap.frames.content import MOST_GROWTH, is_too_much
from canmap.frames.unread import cut_short, stopped

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.unread import Unread

MOST_LINKS = 1 << 20
LONGEST_TEXT = 4096
LARGEST_RECORD = 1 << 20
# What an unfinished file still lacks: how many records there are, how long the last data block is, which
# blocks are in the last list, and where the values between the records lie.
UNCOUNTED, UNSIZED, UNLISTED, UNPLACED = 0x01, 0x04, 0x10, 0x40
LINEAR = 1  # a conversion
VALUES_FLAG = 0x01  # of a group: its records are values of variable length, each after its length
COLUMN_FLAG = 0x08  # of a group: its time is kept in another one

_HEADER_DATA = struct.Struct("<Q")  # start in ns
_DATA_GROUP = struct.Struct("<B")  # bytes of a record's id
_CHANNEL = struct.Struct("<BBBBIII")  # kind, what it tells, data type, bit, byte, bits, flags
_CONVERSION = struct.Struct("<BxHHHdd")  # kind, flags, references, values, least, most


class DamagedError(ValueError):
    """The file cannot be read, or not from here on.

    Args:
        why: The reason; a text for whatever is no cut.

    Attributes:
        why: The reason.
    """

    def __init__(self, why: str | Unread) -> None:
        self.why = stopped(why) if isinstance(why, str) else why
        super().__init__(str(self.why))


class MdfBlock(NamedTuple):
    """One block: its links, and where its data begin and end in the file."""

    kind: bytes
    links: tuple[int, ...]
    start: int
    end: int

    def link(self, number: int) -> int:
        """Return where a link leads; 0: nowhere."""
        return self.links[number] if number < len(self.links) else 0


class MdfBlocks:
    """The blocks of a file.

    Args:
        file: The file.
        packed: Bytes that were read for it: fewer than its size where it came out of a compressed one.

    Attributes:
        size: Bytes of the file.
        lacks: What an unfinished file still lacks, as its bits; 0 for a finished one.
    """

    def __init__(self, file: BinaryIO, packed: int) -> None:
        self._file = file
        self._packed = packed
        self._taken: set[int] = set()
        self._unpacked = 0
        self.size = file.seek(0, 2)
        self.lacks = int.from_bytes(self.read(60, 2), "little") if self.read(0, 8) == MDF_UNFINISHED else 0

    def read(self, place: int, size: int) -> bytes:
        """Return bytes of the file; fewer where it ends."""
        if place >= self.size:
            return b""
        self._file.seek(place)
        return self._file.read(size)

    def block(self, place: int, *kinds: bytes) -> MdfBlock:
        """Return the block at a place, which must be one of these kinds.

        Raises:
            DamagedError: There is none, or it is impossible.
        """
        header = self.read(place, HEADER.size)
        if len(header) < HEADER.size:
            raise DamagedError(cut_short(f"a block should begin at byte {place:,}"))
        kind, length, count = HEADER.unpack(header)
        if kind not in kinds:
            raise DamagedError(f"no {_named(*kinds)} block at byte {place:,}")
        start = place + HEADER.size + LINK * count
        if count > MOST_LINKS or start > self.size:
            raise DamagedError(f"the block at byte {place:,} claims {count:,} links")
        links = struct.unpack(f"<{count}Q", self.read(place + HEADER.size, LINK * count))
        return MdfBlock(kind, links, start, place + length)

    def take(self, place: int, *kinds: bytes) -> MdfBlock:
        """Return the block at a place as `block` does, but only once.

        Raises:
            DamagedError: It was taken before, or there is none.
        """
        if place in self._taken:
            raise DamagedError(f"a link leads back to the block at byte {place:,}")
        self._taken.add(place)
        return self.block(place, *kinds)

    def chain(self, place: int, kind: bytes) -> Iterator[tuple[int, MdfBlock]]:
        """Yield a block, with its place, and those that follow it."""
        while place:
            block = self.take(place, kind)
            yield place, block
            place = block.link(0)

    def fields(self, block: MdfBlock, layout: struct.Struct) -> tuple[int, ...]:
        """Return what a block tells.

        Raises:
            DamagedError: It is shorter than its layout.
        """
        data = self.read(block.start, layout.size)
        if len(data) < layout.size or block.end - block.start < layout.size:
            raise DamagedError(f"a {_named(block.kind)} block is too short")
        return layout.unpack(data)

    def text(self, place: int) -> str:
        """Return the text of a block; empty where there is none."""
        if not place:
            return ""
        block = self.block(place, b"##TX", b"##MD")
        data = self.read(block.start, max(0, min(block.end - block.start, LONGEST_TEXT)))
        return readable(data.partition(b"\0")[0].decode(errors="replace"))

    def count_unpacked(self, size: int) -> None:
        """Note that so many bytes came out of packed blocks, or that many records make as much work.

        Raises:
            DamagedError: They are more than a capture of this size unpacks to.
        """
        self._unpacked += size
        if is_too_much(self._unpacked, self._packed):
            raise DamagedError(f"the data unpack to more than {MOST_GROWTH} times their size")

    def next_taken(self, place: int) -> int:
        """Return where the next block lies that was taken; the end of the file if none does."""
        return min((other for other in self._taken if other > place), default=self.size)


class Channel(NamedTuple):
    """Where a value lies in a record, and what it means."""

    name: str
    kind: int
    tells: int
    data_type: int
    bit: int  # from the start of the record
    bits: int
    data: int  # where values of variable length lie; 0: in the record
    factor: float
    offset: float


class RecordGroup(NamedTuple):
    """Records of one layout."""

    place: int
    record_id: int
    records: int  # as the file counts them
    size: int  # bytes of a record, without its id
    is_values: bool
    channels: dict[str, Channel]
    time: Channel | None


class DataGroup(NamedTuple):
    """Groups whose records lie in the same data."""

    id_size: int  # bytes of the id before each record; 0: none, and one group
    data: int  # where they lie
    groups: list[RecordGroup]


def data_groups(blocks: MdfBlocks) -> tuple[int, list[DataGroup]]:
    """Return the start in ns since 1970, and the data groups.

    Raises:
        DamagedError: A block is not what a link to it says.
    """
    header = blocks.take(HEADER_PLACE, b"##HD")
    (start_ns,) = blocks.fields(header, _HEADER_DATA)
    found = []
    for _, block in blocks.chain(header.link(0), b"##DG"):
        (id_size,) = blocks.fields(block, _DATA_GROUP)
        groups = [_group(blocks, place, group) for place, group in blocks.chain(block.link(1), b"##CG")]
        if id_size not in (0, 1, 2, 4, 8) or (not id_size and len(groups) > 1):
            raise DamagedError(f"{len(groups)} groups of records have ids of {id_size} bytes")
        found.append(DataGroup(id_size, block.link(2), groups))
    return start_ns, found


def _group(blocks: MdfBlocks, place: int, block: MdfBlock) -> RecordGroup:
    record_id, records, flags, _, data_size, validity_size = blocks.fields(block, CHANNEL_GROUP)
    size = data_size + validity_size
    is_values = bool(flags & VALUES_FLAG)
    if not is_values and size > LARGEST_RECORD:
        raise DamagedError(f"records claim {size:,} bytes")
    channels = {channel.name: channel for channel in _channels(blocks, block.link(1))}
    times = (one for one in channels.values() if one.kind == MASTER and one.tells == TIME)
    return RecordGroup(
        place, record_id, records, size, is_values, channels,
        None if flags & COLUMN_FLAG else next(times, None),
    )  # fmt: skip


def _channels(blocks: MdfBlocks, first: int) -> Iterator[Channel]:
    """Yield the channels of a group, and those that they are composed of."""
    waiting = [first]
    while waiting:
        for _, block in blocks.chain(waiting.pop(), b"##CN"):
            kind, tells, data_type, bit, byte, bits, _ = blocks.fields(block, _CHANNEL)
            factor, offset = _linear(blocks, block.link(4)) if kind == MASTER else (1.0, 0.0)
            yield Channel(
                blocks.text(block.link(2)), kind, tells, data_type, 8 * byte + bit, bits, block.link(5),
                factor, offset,
            )  # fmt: skip
            if (parts := block.link(1)) and blocks.read(parts, 4) == b"##CN":
                waiting.append(parts)


def _linear(blocks: MdfBlocks, place: int) -> tuple[float, float]:
    """Return factor and offset of a conversion; it must be a linear one, or none.

    Raises:
        DamagedError: It is another one.
    """
    if not place:
        return 1.0, 0.0
    block = blocks.block(place, b"##CC")
    kind, *_ = blocks.fields(block, _CONVERSION)
    if kind == 0:
        return 1.0, 0.0
    if kind != LINEAR:
        raise DamagedError("its times are converted in a way other than a linear one")
    pair = struct.Struct("<dd")
    data = blocks.read(block.start + _CONVERSION.size, pair.size)
    if len(data) < pair.size:
        raise DamagedError("a conversion is too short")
    offset, factor = pair.unpack(data)
    return factor, offset


def _named(*kinds: bytes) -> str:
    return " or ".join(kind.decode().strip("#") for kind in kinds)
