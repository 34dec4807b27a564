"""Outputs: chunks of frames to an MDF 4.10 bus log, exactly.

Data frames of up to 8 bytes, longer ones, remote and error frames are a group each. All share the data, each
record after the number of its group, so that the frames stay in order; the data come last, so that a log that
is cut can be read up to there. Blocks and names after ASAM MDF 4.1 and its bus logging (from memory), checked
with asammdf.
"""

from __future__ import annotations

import struct
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.binary.mdf_layout import CHANNEL_GROUP, EVENTS, HEADER, HEADER_PLACE, LINK, MASTER, TIME
from canmap.frames.capture_formats import MDF_FINISHED, channel_number
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_LENGTHS,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_SENT,
    FrameKind,
    widen,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

RECORD = np.dtype([
    ("group", "u1"), ("time", "<i8"), ("word", "<u4"), ("codes", "u1"), ("bus", "u1"), ("length", "u1"),
])  # fmt: skip
_HEAD = RECORD.itemsize - 1  # bytes of a record without its number
_UNSIGNED, _SIGNED, _BYTES = 0, 2, 10  # data types
_FIXED = 0
_OF_BUS = 0x400  # a channel that an event of a bus is composed of
_BUS, _CAN = 2, 2
_CODE_OF_LENGTH = np.zeros(256, np.uint8)
_CODE_OF_LENGTH[list(FD_LENGTHS)] = range(16)


class _Field(NamedTuple):
    name: str
    bit: int  # from the start of the record
    bits: int


# The identifier shares a word with three flags, and the length code a byte with two.
_FIELDS = (
    _Field("ID", 64, 29), _Field("IDE", 93, 1), _Field("Dir", 94, 1), _Field("EDL", 95, 1),
    _Field("DLC", 96, 4), _Field("BRS", 100, 1), _Field("ESI", 101, 1), _Field("BusChannel", 104, 8),
    _Field("DataLength", 112, 8),
)  # fmt: skip


class _Group(NamedTuple):
    event: str
    width: int  # bytes of payload


_EVENT_OF = {kind: name for name, kind in EVENTS.items()}
_GROUPS = (
    _Group(_EVENT_OF[FrameKind.DATA], CLASSIC_WIDTH),
    _Group(_EVENT_OF[FrameKind.DATA], FD_WIDTH),
    _Group(_EVENT_OF[FrameKind.REMOTE], 0),
    _Group(_EVENT_OF[FrameKind.ERROR], CLASSIC_WIDTH),
)
_SIZES = np.array([1 + _HEAD + group.width for group in _GROUPS])


def write_mdf(path: str, chunks: Iterable[FrameChunk]) -> None:
    """Write frames as an MDF bus log; stamps count ns from the first frame.

    Raises:
        OSError: The file cannot be written.
    """
    source = iter(chunks)
    first = next((chunk for chunk in source if len(chunk)), None)
    start_ns = max(int(first.t_ns[0]), 0) if first is not None else 0
    head = _Head(start_ns)
    counts = np.zeros(len(_GROUPS), np.int64)
    size = 0
    with Path(path).open("wb") as file:
        file.write(head.blocks)
        for chunk in chain([] if first is None else [first], source):
            groups = _group_of(chunk)
            counts += np.bincount(groups, minlength=len(_GROUPS))
            size += file.write(_records(chunk, groups, start_ns))
        file.write(bytes(-size % 8))
        for place, count in zip(head.counts, counts.tolist(), strict=True):
            file.seek(place)
            file.write(struct.pack("<Q", count))
        file.seek(head.length)
        file.write(struct.pack("<Q", HEADER.size + size))


def _group_of(chunk: FrameChunk) -> NDArray[np.int64]:
    """Return the number of each frame's group, int64[n]."""
    is_long = chunk.length > CLASSIC_WIDTH
    return np.select(
        [chunk.kind == FrameKind.REMOTE, chunk.kind == FrameKind.ERROR, is_long], [2, 3, 1], 0
    ).astype(np.int64)


def _records(chunk: FrameChunk, groups: NDArray[np.int64], start_ns: int) -> bytes:
    """Return the records of frames, each as long as those of its group are."""
    head = np.zeros(len(chunk), RECORD)
    flags = chunk.flags

    def bit(flag: int, place: int) -> NDArray[np.uint32]:
        return np.where(flags & flag, np.uint32(1 << place), np.uint32(0))

    head["group"] = groups
    head["time"] = chunk.t_ns - start_ns
    head["word"] = chunk.can_id | chunk.extended.astype(np.uint32) << np.uint32(29)
    head["word"] |= bit(FLAG_SENT, 30) | bit(FLAG_FD, 31)
    head["codes"] = _CODE_OF_LENGTH[chunk.length] | bit(FLAG_BIT_RATE_SWITCH, 4) | bit(FLAG_ERROR_PASSIVE, 5)
    numbers = np.array([channel_number(name) for name in chunk.channels] or [0])
    head["bus"] = numbers[chunk.channel]  # of frames, up to 255; a name without frames may have any
    head["length"] = np.where(chunk.kind == FrameKind.REMOTE, 0, chunk.length)
    bytes_of_head = head.view(np.uint8).reshape(len(chunk), RECORD.itemsize)
    rows = np.hstack([bytes_of_head, widen(chunk.payload, FD_WIDTH)])
    return rows[np.arange(rows.shape[1]) < _SIZES[groups][:, None]].tobytes()


class _Head:
    """The blocks before the data, which are written once the places of those that they name are known.

    Attributes:
        blocks: Their bytes; the data begin at their end.
        counts: Where it is stated how many records each group has.
        length: Where it is stated how long the data block is.
    """

    def __init__(self, start_ns: int) -> None:
        identification = struct.pack("<8s8s8s4xH30xHH", MDF_FINISHED, b"4.10    ", b"canmap  ", 410, 0, 0)
        self.blocks = bytearray(identification)
        self._add(b"HD", [0] * 6, struct.pack("<QhhBBBxdd", start_ns, 0, 0, 0, 0, 0, 0.0, 0.0))
        pair = struct.pack("<dd", 0.0, 1e-9)
        self._seconds = self._add(b"CC", [0] * 4, struct.pack("<BBHHHdd", 1, 0, 0, 0, 2, 0.0, 0.0) + pair)
        self._source = self._add(b"SI", [self._text("CAN"), 0, 0], struct.pack("<BBB5x", _BUS, _CAN, 0))
        self.counts: list[int] = []
        next_group = 0
        for number, group in reversed(list(enumerate(_GROUPS))):
            next_group = self._group(number, group, next_group)
        self.counts.reverse()
        stated = struct.pack("<B7x", 1)
        after = len(self.blocks) + HEADER.size + 4 * LINK + len(stated)  # the data, behind their data group
        self._link(HEADER_PLACE, 0, self._add(b"DG", [0, next_group, after, 0], stated))
        self.length = self._add(b"DT", [], b"") + 8

    def _group(self, number: int, group: _Group, next_group: int) -> int:
        is_remote = group.width == 0
        name, end = group.event, _HEAD + group.width
        fields = [field for field in _FIELDS if not is_remote or field.name != "DataLength"]
        parts = [(field.name, _UNSIGNED, field.bit, field.bits) for field in fields]
        if not is_remote:
            parts.append(("DataBytes", _BYTES, 8 * _HEAD, 8 * group.width))
        first = 0
        for part, data_type, bit, bits in reversed(parts):
            first = self._channel(
                f"{name}.{part}", [first, 0], struct.pack("<BB", _FIXED, 0), (data_type, bit, bits)
            )
        whole = self._channel(name, [0, first], struct.pack("<BB", _FIXED, 0), (_BYTES, 64, 8 * end - 64))
        time = struct.pack("<BB", MASTER, TIME)
        first = self._channel("t", [whole, 0], time, (_SIGNED, 0, 64), self._seconds)
        links = [next_group, first, self._text(name), self._source, 0, 0]
        place = self._add(b"CG", links, CHANNEL_GROUP.pack(number, 0, 0x06, ord("."), end, 0))
        self.counts.append(place + HEADER.size + LINK * len(links) + 8)
        return place

    def _channel(
        self, name: str, links: list[int], kind: bytes, value: tuple[int, int, int], conversion: int = 0
    ) -> int:
        data_type, bit, bits = value
        flags = 0 if conversion else _OF_BUS
        stated = kind + struct.pack("<BBIIIIBxH", data_type, bit % 8, bit // 8, bits, flags, 0, 0, 0)
        links = [*links, self._text(name), 0, conversion, 0, 0, 0]
        return self._add(b"CN", links, stated + bytes(48))

    def _text(self, text: str) -> int:
        data = text.encode() + b"\0"
        return self._add(b"TX", [], data + bytes(-len(data) % 8))

    def _link(self, place: int, number: int, to: int) -> None:
        struct.pack_into("<Q", self.blocks, place + HEADER.size + LINK * number, to)

    def _add(self, kind: bytes, links: Sequence[int], data: bytes) -> int:
        """Add a block and return its place; all are of whole words."""
        place, body = len(self.blocks), struct.pack(f"<{len(links)}Q", *links) + data
        self.blocks += HEADER.pack(b"##" + kind, HEADER.size + len(body), len(links)) + body
        return place
