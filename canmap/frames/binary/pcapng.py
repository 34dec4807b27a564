"""Frames, packet captures: the blocks of a `.pcapng` file.

In: one buffer after the other. Out: where the packets of SocketCAN interfaces are. Layouts after
draft-ietf-opsawg-pcapng: sections of either byte order, interfaces with name, resolution and offset of
stamps. Those are read one by one; the packets between them, by column.
"""

from __future__ import annotations

import struct
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.frames.batches import LATEST_NS, NS
from canmap.frames.binary.gather import BadObjects, followed, records_at
from canmap.frames.binary.packet_layout import (
    BYTE_ORDER,
    INTERFACE,
    LINK_TYPE,
    OLD_PACKET,
    OPTION_FLAGS,
    OPTION_NAME,
    OPTION_OFFSET,
    OPTION_RESOLUTION,
    OPTIONS_END,
    PACKET,
    SECTION,
    SIMPLE_PACKET,
)
from canmap.frames.binary.packets import MOST_PACKET, Packets, joined
from canmap.frames.chunks import FLAG_RECEIVED, FLAG_SENT
from canmap.frames.source import MOST_CHANNELS
from canmap.frames.unread import stopped

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.unread import Unread

_BYTE_ORDERS = {struct.pack(f"{order}I", BYTE_ORDER): order for order in "<>"}
_MOST_BLOCK = 4 * MOST_PACKET  # bytes; options may be long
_MICROSECONDS = 6  # the resolution where none is stated: 10^-6 s
_DIRECTIONS = np.array([0, FLAG_RECEIVED, FLAG_SENT, 0])  # by RECEIVED and SENT
_WORD = 4  # bytes; blocks are of whole words
_LEAST_BLOCK = 12  # bytes
_PACKET_AT, _AROUND_PACKET = 28, 32  # where in its block the packet is, and the bytes that are not the packet
_MOST_OPTIONS = 32  # of a block, that are looked at; recorders write a few
_MOST_DESCRIBED = 4_000  # sections and interfaces; a capture has a few
_MOST_OFFSET_S = 1 << 40  # 35,000 years
_MOST_SECONDS = LATEST_NS // NS + 1
# An interface: its channel, -1 if it is not CAN; its stamps' steps and offset.
_INTERFACE_COLUMNS = np.dtype([("channel", "i8"), ("per_second", "u8"), ("offset_s", "i8")])
_UNKNOWN = np.array([(-1, 1, 0)], _INTERFACE_COLUMNS)


class PacketBlocks:
    """The blocks of a `.pcapng` file, found in one buffer after the other.

    Attributes:
        channels: Names of its CAN interfaces so far.
        bad: Packets that cannot be read, for whoever walks to take.
        number: Packets so far, of all interfaces.
        stopped: Why nothing more can be read; None while that is not so.
        has_others: Whether there are interfaces of other link types.
    """

    def __init__(self) -> None:
        self.channels: tuple[str, ...] = ()
        self.bad = BadObjects()
        self.number = 0
        self.stopped: Unread | None = None
        self.has_others = False
        self._order = "<"
        self._described = 0  # sections and interfaces
        self._interfaces = _UNKNOWN  # those of the section and, last, this

    def walk(self, data: bytes) -> tuple[Packets, int]:
        """Return the packets that are whole, and where the rest begins."""
        found: list[Packets] = []
        following: dict[str, NDArray[np.int64]] = {}  # by byte order
        position = 0
        while position + _LEAST_BLOCK <= len(data):
            if self._order not in following:
                following[self._order] = _following(data, self._order)
            starts = _WORD * followed(following[self._order], position // _WORD)
            found.append(self._packets(data, starts[:-1]))
            position = int(starts[-1])
            size = self._described_by(data, position)
            if not size:
                break
            found.append(self._packets(data, starts[-1:]))
            position += size
        return joined(found), position

    def _described_by(self, data: bytes, position: int) -> int:
        """Take in what a block describes, if anything; return its size, 0 if it cannot be read."""
        kind, size = struct.unpack_from(self._order + "2I", data, position)
        if kind == SECTION:
            size = self._section(data, position)
        if size < _LEAST_BLOCK or size % _WORD or size > _MOST_BLOCK:
            self.stopped = stopped(f"a block claims {size:,} bytes, so nothing can be read from here on")
        elif kind in {SECTION, INTERFACE} and self._described == _MOST_DESCRIBED:
            self.stopped = stopped(
                f"more than {_MOST_DESCRIBED:,} interfaces are described: too many for a capture"
            )
        elif position + size <= len(data):
            if kind == INTERFACE:
                self._add_interface(data, position, size)
            self._described += kind in {SECTION, INTERFACE}
            return 0 if self.stopped else int(size)
        return 0

    def _section(self, data: bytes, position: int) -> int:
        """Begin a section; return the size of its header."""
        order = _BYTE_ORDERS.get(data[position + 8 : position + 12])
        if order is None:
            return 0
        self._order = order
        self._interfaces = _UNKNOWN
        size: int = struct.unpack_from(order + "I", data, position + 4)[0]
        return size

    def _options(self, data: bytes, position: int, end: int) -> dict[int, bytes]:
        found: dict[int, bytes] = {}
        for _ in range(_MOST_OPTIONS):
            if position + 4 > end:
                break
            code, size = struct.unpack_from(self._order + "2H", data, position)
            if code == OPTIONS_END or position + 4 + size > end:
                break
            found.setdefault(code, data[position + 4 : position + 4 + size])
            position += 4 + (size + 3) // 4 * 4
        return found

    def _add_interface(self, data: bytes, position: int, size: int) -> None:
        if size < 20:
            self.stopped = stopped(
                "the description of an interface is too short, so nothing can be read from here on"
            )
            return
        (link_type,) = struct.unpack_from(self._order + "H", data, position + 8)
        options = self._options(data, position + 16, position + size - 4)
        resolution = (options.get(OPTION_RESOLUTION) or bytes([_MICROSECONDS]))[0]
        exponent = resolution & 0x7F
        per_second = 2 ** min(exponent, 63) if resolution & 0x80 else 10 ** min(exponent, 18)
        offset = options.get(OPTION_OFFSET, b"")
        seconds = struct.unpack(self._order + "q", offset)[0] if len(offset) == 8 else 0
        self.has_others |= link_type != LINK_TYPE
        channel = self._channel(options.get(OPTION_NAME, b"")) if link_type == LINK_TYPE else -1
        if abs(seconds) > _MOST_OFFSET_S:
            seconds = 2 * _MOST_SECONDS  # so that no stamp can be known
        one = np.array([(channel, per_second, seconds)], _INTERFACE_COLUMNS)
        self._interfaces = np.concatenate([self._interfaces[:-1], one, _UNKNOWN])

    def _channel(self, stated: bytes) -> int:
        """Return the number of a channel name; -1 where there are too many."""
        name = _printable(stated.rstrip(b"\0").decode("utf-8", "backslashreplace"))
        name = name or str(len(self._interfaces))
        if name not in self.channels:
            if len(self.channels) == MOST_CHANNELS:
                self.bad.add(self.number + 1, f"there are more than {MOST_CHANNELS} channels before it")
                return -1
            self.channels = (*self.channels, name)
        return self.channels.index(name)

    def _packets(self, data: bytes, starts: NDArray[np.int64]) -> Packets:
        """Count the packets in the blocks, note those that cannot be read, and return the others."""
        if not len(starts):
            return joined([])
        stated = records_at(data, starts, _block(self._order))
        kind = stated["kind"]
        is_packet = (kind == PACKET) | (kind == OLD_PACKET) | (kind == SIMPLE_PACKET)
        if not is_packet.all():
            starts, stated = starts[is_packet], stated[is_packet]
        if not len(starts):
            return joined([])
        number = self.number + 1 + np.arange(len(starts))
        self.number += len(starts)
        named = np.where(stated["kind"] == OLD_PACKET, stated["old_interface"], stated["interface"])
        described = len(self._interfaces) - 1
        interface = self._interfaces[np.minimum(named, described)]
        size, captured = stated["size"].astype(np.int64), stated["captured"].astype(np.int64)
        t_ns, is_late = _nanoseconds(stated, interface)
        first_is_can = self._interfaces["channel"][0] >= 0
        left = np.ones(len(starts), np.bool_)
        for wrong, reason in (
            (stated["kind"] == SIMPLE_PACKET, "the packet has no stamp" if first_is_can else ""),
            (size < _AROUND_PACKET, "the packet's block is too short"),
            (named >= described, "the packet names an interface that was not described"),
            (interface["channel"] < 0, ""),  # of another link type: nothing is wrong with it
            (captured > size - _AROUND_PACKET, "the packet is longer than its block"),
            (is_late, "the stamp is too late for nanoseconds in 64 bits"),
        ):
            if reason and wrong.any():
                self.bad.add_all(number[left & wrong], reason)
            left &= ~wrong
        options = starts + _PACKET_AT + (captured + 3) // 4 * 4
        flags = self._directions(data, options, np.where(left, starts + size - 4, 0))
        packets = Packets(starts + _PACKET_AT, captured, t_ns, interface["channel"], flags, number)
        return packets if left.all() else packets.where(left)

    def _directions(self, data: bytes, place: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the direction that the options of packets tell, which stand from one place to another."""
        flags = np.zeros(len(place), np.int64)
        rows = np.flatnonzero(place + 8 <= end)
        for _ in range(_MOST_OPTIONS):
            if not len(rows):
                break
            stated = records_at(data, place[rows], _option(self._order))
            is_flags = stated["code"] == OPTION_FLAGS
            is_direction = is_flags & (stated["size"] == 4)
            flags[rows[is_direction]] = _DIRECTIONS[stated["value"][is_direction] & 3]
            place[rows] += 4 + (stated["size"].astype(np.int64) + 3) // 4 * 4
            rows = rows[~is_flags & (stated["code"] != OPTIONS_END) & (place[rows] + 8 <= end[rows])]
        return flags


@cache
def _block(order: str) -> np.dtype[Any]:
    """Return the layout of the beginning of a block that holds a packet, of either kind."""
    fields = {
        "kind": 0, "size": 4, "interface": 8, "old_interface": 8, "high": 12, "low": 16, "captured": 20,
    }  # fmt: skip
    formats = [order + ("u2" if name == "old_interface" else "u4") for name in fields]
    return np.dtype({"names": list(fields), "formats": formats, "offsets": list(fields.values())})


@cache
def _option(order: str) -> np.dtype[Any]:
    return np.dtype([("code", order + "u2"), ("size", order + "u2"), ("value", order + "u4")])


def _following(data: bytes, order: str) -> NDArray[np.int64]:
    """Return for every word that may begin a block the one at which the next begins, if it is a block.

    Behind the description of an interface or a section, and what is no block, nothing follows.
    """
    count = (len(data) - _LEAST_BLOCK) // _WORD + 1
    words = np.frombuffer(data, order + "u4", count + 1).astype(np.uint32)
    kind, size = words[:-1], words[1:]
    following = np.arange(count) + size // np.uint32(_WORD)
    is_last = (kind == SECTION) | (kind == INTERFACE)
    is_last |= (size < _LEAST_BLOCK) | (size > _MOST_BLOCK) | (size & np.uint32(_WORD - 1) != 0)
    following[is_last] = count
    return following


def _nanoseconds(
    stated: NDArray[Any], interface: NDArray[Any]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the stamps of packets, and which of them are later, or earlier, than 64 bits can tell."""
    ticks = (stated["high"].astype(np.uint64) << np.uint64(32)) | stated["low"]
    steps = interface["per_second"]
    whole, part = np.divmod(ticks, steps)
    for per_second in np.unique(steps).tolist():
        rows = steps == per_second
        part[rows] = _fraction_ns(part[rows], per_second)
    seconds = np.minimum(whole, np.uint64(_MOST_OFFSET_S * 4)).astype(np.int64) + interface["offset_s"]
    is_late = np.abs(seconds) > _MOST_SECONDS
    t_ns = np.where(is_late, 0, seconds) * NS + part.astype(np.int64)
    return t_ns, is_late | (t_ns <= -LATEST_NS) | (t_ns >= LATEST_NS)


def _fraction_ns(steps: NDArray[np.uint64], per_second: int) -> NDArray[np.uint64]:
    """Return less than a second in ns, rounded down; each product fits in 64 bits."""
    ns = np.uint64(NS)
    if per_second <= 16 * NS:
        return steps * ns // np.uint64(per_second)
    if per_second % NS == 0:
        return steps // np.uint64(per_second // NS)
    low_bits, bits = np.uint64(32), np.uint64(per_second.bit_length() - 1)  # a power of two
    low = (steps & np.uint64(0xFFFFFFFF)) * ns >> low_bits
    return ((steps >> low_bits) * ns + low) >> (bits - low_bits)


def _printable(name: str) -> str:
    """Return a name with whatever cannot be printed written out, so that two names stay two."""
    if name.isprintable():
        return name
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in name)
