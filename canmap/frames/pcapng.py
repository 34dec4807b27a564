"""Frames, packet captures: the blocks of a `.pcapng` file.

In: one buffer after the other. Out: where the packets of SocketCAN interfaces are. Layouts after
draft-ietf-opsawg-pcapng: sections of either byte order, interfaces with name, resolution and offset of
stamps.
"""

from __future__ import annotations

import struct
from array import array
from typing import NamedTuple

from canmap.chunks import FLAG_RECEIVED, FLAG_SENT
from canmap.frames.batches import LATEST_NS, NS
from canmap.frames.packets import LINK_TYPE, MOST_PACKET
from canmap.frames.textblock import MOST_CHANNELS

PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"  # a section header, the same in both byte orders
_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE_PACKET, _PACKET = 0x0A0D0D0A, 1, 2, 3, 6
_BYTE_ORDERS = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
_MOST_BLOCK = 4 * MOST_PACKET  # bytes; options may be long
_OPTION_NAME, _OPTION_RESOLUTION, _OPTION_OFFSET, _OPTION_FLAGS = 2, 9, 14, 2
_MICROSECONDS = 6  # the resolution where none is told: 10^-6 s
_DIRECTION = {1: FLAG_RECEIVED, 2: FLAG_SENT}


class _Interface(NamedTuple):
    """An interface of the section: its channel, -1 if it is not CAN; its stamps' steps and offset."""

    channel: int
    per_second: int
    offset_ns: int


class Blocks:
    """The blocks of a `.pcapng` file, found in one buffer after the other.

    Attributes:
        channels: Names of its CAN interfaces so far.
        bad: Number and reason of packets that cannot be read, for whoever walks to take.
        number: Packets so far, of all interfaces.
        stopped: Why nothing more can be read; empty while that is not so.
        has_others: Whether there are interfaces of other link types.
    """

    def __init__(self) -> None:
        self.channels: tuple[str, ...] = ()
        self.bad: list[tuple[int, str]] = []
        self.number = 0
        self.stopped = ""
        self.has_others = False
        self._order = "<"
        self._interfaces: list[_Interface] = []
        self._set_order("<")

    def _set_order(self, order: str) -> None:
        self._order = order
        self._block = struct.Struct(order + "2I")
        self._packet = struct.Struct(order + "5I")
        self._old_packet = struct.Struct(order + "2H4I")
        self._option = struct.Struct(order + "2H")

    def walk(self, data: bytes) -> tuple[array[int], int]:
        """Return the packets that are whole, and where the rest begins."""
        packets = array("q")
        position, end = 0, len(data)
        while position + 12 <= end and not self.stopped:
            kind, size = self._block.unpack_from(data, position)
            if kind == _SECTION:
                size = self._section(data, position)
            if size < 12 or size % 4 or size > _MOST_BLOCK:
                self.stopped = f"a block claims {size:,} bytes, so nothing can be read from here on"
                break
            if position + size > end:
                break
            if kind in {_PACKET, _OLD_PACKET, _SIMPLE_PACKET}:
                self.number += 1
                self._add_packet(kind, data, (position, size), packets)
            elif kind == _INTERFACE:
                self._add_interface(data, position, size)
            position += size
        return packets, position

    def _section(self, data: bytes, position: int) -> int:
        """Begin a section; return the size of its header."""
        order = _BYTE_ORDERS.get(data[position + 8 : position + 12])
        if order is None:
            return 0
        self._set_order(order)
        self._interfaces = []
        size: int = self._block.unpack_from(data, position)[1]
        return size

    def _options(self, data: bytes, position: int, end: int) -> dict[int, bytes]:
        found: dict[int, bytes] = {}
        while position + 4 <= end:
            code, size = self._option.unpack_from(data, position)
            if code == 0 or position + 4 + size > end:
                break
            found.setdefault(code, data[position + 4 : position + 4 + size])
            position += 4 + (size + 3) // 4 * 4
        return found

    def _add_interface(self, data: bytes, position: int, size: int) -> None:
        if size < 20:
            self.stopped = "the description of an interface is too short, so nothing can be read from here on"
            return
        (link_type,) = struct.unpack_from(self._order + "H", data, position + 8)
        options = self._options(data, position + 16, position + size - 4)
        resolution = (options.get(_OPTION_RESOLUTION) or bytes([_MICROSECONDS]))[0]
        exponent = resolution & 0x7F
        per_second = 2 ** min(exponent, 63) if resolution & 0x80 else 10 ** min(exponent, 18)
        offset = options.get(_OPTION_OFFSET, b"")
        seconds = struct.unpack(self._order + "q", offset)[0] if len(offset) == 8 else 0
        self.has_others |= link_type != LINK_TYPE
        channel = self._channel(options.get(_OPTION_NAME, b"")) if link_type == LINK_TYPE else -1
        self._interfaces.append(_Interface(channel, per_second, seconds * NS))

    def _channel(self, told: bytes) -> int:
        """Return the number of a channel name; -1 where there are too many."""
        name = told.rstrip(b"\0").decode("utf-8", "replace").strip()
        if not name or not name.isprintable():
            name = str(len(self._interfaces) + 1)
        name = name.replace(" ", "_")
        if name not in self.channels:
            if len(self.channels) == MOST_CHANNELS:
                self.bad.append((self.number + 1, f"there are more than {MOST_CHANNELS} channels before it"))
                return -1
            self.channels = (*self.channels, name)
        return self.channels.index(name)

    def _add_packet(self, kind: int, data: bytes, block: tuple[int, int], packets: array[int]) -> None:
        position, size = block
        if kind == _SIMPLE_PACKET:
            if self._interfaces and self._interfaces[0].channel >= 0:
                self.bad.append((self.number, "the packet has no stamp"))
            return
        if size < 32:
            self.bad.append((self.number, "the packet's block is too short"))
            return
        if kind == _PACKET:
            number, high, low, captured, _ = self._packet.unpack_from(data, position + 8)
        else:
            number, _, high, low, captured, _ = self._old_packet.unpack_from(data, position + 8)
        if number >= len(self._interfaces):
            self.bad.append((self.number, "the packet names an interface that was not described"))
            return
        interface = self._interfaces[number]
        if interface.channel < 0:
            return
        if captured > size - 32:
            self.bad.append((self.number, "the packet is longer than its block"))
            return
        t_ns = ((high << 32) + low) * NS // interface.per_second + interface.offset_ns
        if not -LATEST_NS < t_ns < LATEST_NS:
            self.bad.append((self.number, "the stamp is later than nanoseconds in 64 bits can tell"))
            return
        flags, options_at = 0, position + 28 + (captured + 3) // 4 * 4
        if options_at + 8 <= position + size - 4:
            flags = self._direction(data, options_at, position + size - 4)
        packets.extend((position + 28, captured, t_ns, interface.channel, flags, self.number))

    def _direction(self, data: bytes, position: int, end: int) -> int:
        told = self._options(data, position, end).get(_OPTION_FLAGS, b"")
        return _DIRECTION.get(struct.unpack(self._order + "I", told)[0] & 3, 0) if len(told) == 4 else 0
