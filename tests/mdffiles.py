"""MDF 4 bus logs for the tests, written block by block, in the ways in which recorders lay out their data.

Source: ASAM MDF 4.1 and its bus logging (from memory); tests compare what asammdf reads of these files.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.frames.chunks import (
    FD_LENGTHS,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_SENT,
    FrameKind,
    widen,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.chunks import FrameChunk

NAMES = {
    FrameKind.DATA: "CAN_DataFrame",
    FrameKind.REMOTE: "CAN_RemoteFrame",
    FrameKind.ERROR: "CAN_ErrorFrame",
}
# Name, data type, first bit after the time, bits: the identifier shares a word with IDE, as do the flags.
FIELDS = (
    ("ID", 0, 0, 29),
    ("IDE", 0, 29, 1),
    ("Dir", 0, 30, 1),
    ("EDL", 0, 31, 1),
    ("DLC", 0, 32, 4),
    ("BRS", 0, 36, 1),
    ("ESI", 0, 37, 1),
    ("BusChannel", 0, 40, 8),
    ("DataLength", 1, 48, 8),
)
DATA_BIT = 56
FIXED, VARIABLE, MASTER = 0, 1, 2
BYTES, UNSIGNED, FLOAT = 10, 0, 4
BLOCK_OF_DATA = 700  # bytes, where the data are in a list


@dataclass
class Layout:
    """How a bus log is laid out.

    Attributes:
        shared: Whether all groups share the data, each record after the id of its group, of so many bytes.
        apart: Where the payloads are: in the "record", in "blocks" of their own, or in "records" between.
        packed: Method by which data are packed, 0 deflated, 1 transposed before; None for not at all.
        listed: Whether the data are in lists of short blocks.
        step_ns: Of the clock; 0 for floating-point seconds.
        closed: Whether the recorder closed the file.
        placed: Whether an open file tells where the payloads between the records lie.
    """

    shared: int = 0
    apart: str = "record"
    packed: int | None = None
    listed: bool = False
    step_ns: int = 0
    closed: bool = True
    placed: bool = True
    _blocks: bytearray = field(default_factory=bytearray)

    def file(self, frames: FrameChunk) -> bytes:
        """Return a file with these frames; stamps count from the first."""
        self._begin(int(frames.t_ns[0]) if len(frames) else 0)
        kinds = [kind for kind in FrameKind if (frames.kind == kind).any()]
        rows = {kind: np.flatnonzero(frames.kind == kind) for kind in kinds}
        first = self._sharing(frames, rows) if self.shared else self._sorted(frames, rows)
        struct.pack_into("<Q", self._blocks, 64 + 24, first)
        return bytes(self._blocks)

    def least(self) -> bytes:
        """Return the beginning of an open file whose records are a byte each; any of these may follow."""
        self._begin(0)
        channel = self._channel("CAN_DataFrame.ID", (FIXED, 0, UNSIGNED, 4, 4), [0, 0])
        channel = self._channel("Timestamp", (MASTER, 1, UNSIGNED, 0, 4), [channel, 0])
        group = self._add(b"CG", [0, channel, 0, 0, 0, 0], struct.pack("<QQHHxxxxII", 0, 0, 0, 0, 1, 0))
        struct.pack_into("<Q", self._blocks, 64 + 24, self._open(group, b""))
        return bytes(self._blocks)

    def _begin(self, start_ns: int) -> None:
        magic, lacks = (b"MDF     ", 0) if self.closed else (b"UnFinMF ", 0x05 if self.placed else 0x65)
        start = struct.pack("<8s8s8s4xH30xHH", magic, b"4.10    ", b"tests   ", 410, lacks, 0)
        self._blocks = bytearray(start)
        self._add(b"HD", [0] * 6, struct.pack("<QhhBBBxdd", start_ns, 0, 0, 0, 0, 0, 0.0, 0.0))

    def _open(self, group: int, data: bytes) -> int:
        """Add a data group with data as the last block, to which the recorder goes on writing."""
        told = struct.pack("<B7x", self.shared)
        after = len(self._blocks) + -len(self._blocks) % 8 + 24 + 4 * 8 + len(told)
        place = self._add(b"DG", [0, group, after, 0], told)
        self._add(b"DT", [], data, length=24)
        return place

    def _sorted(self, frames: FrameChunk, rows: dict[FrameKind, Any]) -> int:
        """Add a data group for each kind of frame; return the first."""
        next_group = 0
        for kind, mine in reversed(rows.items()):
            values, places = _run_of_values(frames, mine)
            link = self._data(b"SD", values, 0) if self.apart == "blocks" and kind != FrameKind.REMOTE else 0
            records = list(self._records(frames, mine, places))
            data = self._data(b"DT", b"".join(records), len(records[0]))
            group = self._group(kind, 0, len(mine), 0, link)
            next_group = self._add(b"DG", [next_group, group, data, 0], struct.pack("<B7x", 0))
        return next_group

    def _sharing(self, frames: FrameChunk, rows: dict[FrameKind, Any]) -> int:
        """Add one data group for all kinds of frames."""
        between = self.apart == "records"
        next_group, links, parts = 0, {}, [b""] * len(frames)
        for kind, mine in reversed(rows.items()):
            number, link = 10 + int(kind), 0
            values, places = _run_of_values(frames, mine)
            if between and kind != FrameKind.REMOTE:
                flags, size = 0x01, len(values)
                next_group = link = self._add(
                    b"CG", [next_group, 0, 0, 0, 0, 0],
                    struct.pack("<QQHHxxxxII", number + 100, len(mine) * self.closed, flags, 0, size, 0),
                )  # fmt: skip
            links[kind] = next_group = self._group(kind, next_group, len(mine) * self.closed, number, link)
            records = self._records(frames, mine, places)
            for i, record, place in zip(mine.tolist(), records, places, strict=True):
                parts[i] = self._id(number) + record
                if link:
                    length = 4 + int(frames.length[i])
                    parts[i] = self._id(number + 100) + values[place : place + length] + parts[i]
        if not self.closed:
            return self._open(next_group, b"".join(parts))
        data = self._data(b"DT", b"".join(parts), 0)
        return self._add(b"DG", [0, next_group, data, 0], struct.pack("<B7x", self.shared))

    def _id(self, number: int) -> bytes:
        return number.to_bytes(self.shared, "little")

    def _records(self, frames: FrameChunk, mine: Any, places: list[int]) -> Iterator[bytes]:
        payload = widen(frames.payload, 64)
        for i, place in zip(mine.tolist(), places, strict=True):
            ns = int(frames.t_ns[i] - frames.t_ns[0])
            time = struct.pack("<q", ns // self.step_ns) if self.step_ns else struct.pack("<d", ns / 1e9)
            flags = int(frames.flags[i])
            is_fd, length = bool(flags & FLAG_FD), int(frames.length[i])
            word = int(frames.can_id[i]) & 0x1FFFFFFF | int(frames.extended[i]) << 29
            word |= bool(flags & FLAG_SENT) << 30 | is_fd << 31
            second = FD_LENGTHS.index(length) | bool(flags & FLAG_BIT_RATE_SWITCH) << 4
            second |= bool(flags & FLAG_ERROR_PASSIVE) << 5
            bus = int(frames.channels[int(frames.channel[i])])
            rest = struct.pack("<Q", place * self.placed) if self.apart != "record" else payload[i].tobytes()
            yield time + struct.pack("<IBBB", word, second, bus, length) + rest

    def _group(self, kind: FrameKind, next_group: int, count: int, number: int, values: int) -> int:
        """Add a group of channels and return it."""
        name = NAMES[kind]
        apart = self.apart != "record"
        bits = 64 if apart else 512
        # A remote frame has no payload: its record holds one that no channel tells.
        fields = [(*one, FIXED, 0) for one in FIELDS if kind != FrameKind.REMOTE or one[0] != "DataLength"]
        if kind != FrameKind.REMOTE:
            fields.append(("DataBytes", BYTES, DATA_BIT, bits, VARIABLE if apart else FIXED, values))
        part = 0
        for field_name, data_type, bit, width, channel_kind, link in reversed(fields):
            channel = (channel_kind, 0, data_type, 64 + bit, width)
            part = self._channel(f"{name}.{field_name}", channel, [part, 0], link=link)
        whole = self._channel(name, (FIXED, 0, BYTES, 64, DATA_BIT + bits), [0, part])
        conversion = 0
        if self.step_ns:
            pair = struct.pack("<dd", 0.0, self.step_ns / 1e9)
            conversion = self._add(b"CC", [0] * 4, struct.pack("<BBHHHdd", 1, 0, 0, 0, 2, 0.0, 0.0) + pair)
        clock = (MASTER, 1, UNSIGNED if self.step_ns else FLOAT, 0, 64)
        first = self._channel("Timestamp", clock, [whole, 0], conversion=conversion)
        size = 8 + (DATA_BIT + bits) // 8
        data = struct.pack("<QQHHxxxxII", number, count, 0x06, ord("."), size, 0)
        source = self._add(b"SI", [self._text("CAN"), 0, 0], struct.pack("<BBB5x", 2, 2, 0))  # a CAN bus
        return self._add(b"CG", [next_group, first, self._text(name), source, 0, 0], data)

    def _channel(
        self, name: str, channel: tuple[int, int, int, int, int], links: list[int], *, conversion: int = 0,
        link: int = 0,
    ) -> int:  # fmt: skip
        kind, tells, data_type, bit, bits = channel
        data = struct.pack("<BBBBIIIIBxH", kind, tells, data_type, bit % 8, bit // 8, bits, 0x400, 0, 0, 0)
        return self._add(b"CN", [*links, self._text(name), 0, conversion, link, 0, 0], data + bytes(48))

    def _text(self, text: str) -> int:
        return self._add(b"TX", [], text.encode() + b"\0")

    def _data(self, kind: bytes, data: bytes, width: int) -> int:
        """Add data, in blocks as they are laid out, and return the first of them."""
        if not self.listed:
            return self._block(kind, data, width)
        pieces = [data[at : at + BLOCK_OF_DATA] for at in range(0, len(data), BLOCK_OF_DATA)]
        places = [self._block(kind, piece, width) for piece in pieces]
        next_list = 0
        for first in reversed(range(0, len(places), 3)):
            some = places[first : first + 3]
            offsets = [(first + i) * BLOCK_OF_DATA for i in range(len(some))]
            told = struct.pack(f"<B3xI{len(some)}Q", 0, len(some), *offsets)
            next_list = self._add(b"DL", [next_list, *some], told)
        if self.packed is None:
            return next_list
        return self._add(b"HL", [next_list], struct.pack("<HB5x", 0, self.packed))

    def _block(self, kind: bytes, data: bytes, width: int) -> int:
        if self.packed is None:
            return self._add(kind, [], data)
        method = self.packed if width else 0
        content = data
        if method:
            count = len(data) // width
            table = np.frombuffer(data, np.uint8, count * width).reshape(count, width)
            content = table.T.tobytes() + data[count * width :]
        packed = zlib.compress(content)
        told = struct.pack("<2sBxIQQ", kind, method, width, len(data), len(packed))
        return self._add(b"DZ", [], told + packed)

    def _add(self, kind: bytes, links: list[int], data: bytes, *, length: int = 0) -> int:
        self._blocks += bytes(-len(self._blocks) % 8)
        place = len(self._blocks)
        body = struct.pack(f"<{len(links)}Q", *links) + data
        length = length or 24 + len(body)
        self._blocks += struct.pack("<4s4xQQ", b"##" + kind, length, len(links)) + body
        return place


def _run_of_values(frames: FrameChunk, mine: Any) -> tuple[bytes, list[int]]:
    """Return the payloads one after another, each after its length, and where each of them begins."""
    run, places = bytearray(), []
    for i in mine.tolist():
        places.append(len(run))
        length = int(frames.length[i]) if frames.kind[i] != FrameKind.REMOTE else 0
        run += struct.pack("<I", length) + frames.payload[i, :length].tobytes()
    return bytes(run), places


LAYOUTS = {
    "sorted": Layout(),
    "whole ns": Layout(step_ns=1),
    "steps of 10 us": Layout(step_ns=10_000),
    "listed": Layout(listed=True),
    "packed": Layout(packed=0),
    "transposed": Layout(packed=1),
    "transposed lists": Layout(packed=1, listed=True),
    "payloads apart": Layout(apart="blocks"),
    "payloads apart, packed lists": Layout(apart="blocks", packed=0, listed=True),
    "shared": Layout(shared=1),
    "shared, long ids": Layout(shared=4, listed=True, step_ns=1),
    "payloads between": Layout(shared=1, apart="records"),
    "payloads between, packed": Layout(shared=2, apart="records", packed=0, step_ns=1),
    "not closed": Layout(shared=1, apart="records", closed=False, step_ns=1),
    "not closed, payloads without places": Layout(shared=1, apart="records", closed=False, placed=False),
}
