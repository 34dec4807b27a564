"""How binary captures are walked, object by object: what the walks by column must come to as well.

Each takes one buffer after the other and returns rows and where the rest begins, as its twin in the package.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from canmap.frames.chunks import FLAG_RECEIVED, FLAG_SENT

NS = 10**9
LATEST_NS = 2**63 - NS
MOST_PACKET = 1 << 18
MOST_OBJECT = 16 << 20
Row = tuple[int, ...]


class SlowWalk:
    """What all of them know: bad objects, the number of objects, and why nothing more is read."""

    def __init__(self) -> None:
        self.bad: list[tuple[int, str]] = []
        self.number = 0
        self.stopped = ""


class SlowObjects(SlowWalk):
    """The objects of a BLF capture: place, version of the header, size, kind, number."""

    def __init__(self, most_damaged: int) -> None:
        super().__init__()
        self._damaged = 0
        self._most_damaged = most_damaged

    def walk(self, data: bytes) -> tuple[list[Row], int]:
        found: list[Row] = []
        position = 0
        while position + 16 <= len(data):
            signature, _, version, size, kind = struct.unpack_from("<4sHHLL", data, position)
            if signature != b"LOBJ":
                place = data.find(b"LOBJ", position)
                place = place if place >= 0 else len(data) - 3
                if place - position > 8:
                    reason = f"{place - position:,} bytes before it are not objects"
                    self.bad.append((self.number + 1, reason))
                position = place
            elif size < 16 or size > MOST_OBJECT:
                self.number += 1
                self._damaged += 1
                self.bad.append((self.number, f"the object claims a size of {size:,} bytes"))
                if self._damaged >= self._most_damaged:
                    self.stopped = "damaged"
                    return found, len(data)
                position += 4
            elif position + size > len(data):
                break
            else:
                self.number += 1
                found.append((position, version, size, kind, self.number))
                position += size
        return found, position


class SlowRecords(SlowWalk):
    """The records of a `.pcap` file: start, size, stamp, channel, flags, number of the packet."""

    def __init__(self, order: str, step_ns: int) -> None:
        super().__init__()
        self._order, self._step_ns = order, step_ns
        self._skip = 24

    def walk(self, data: bytes) -> tuple[list[Row], int]:
        found: list[Row] = []
        position, self._skip = self._skip, 0
        while position + 16 <= len(data):
            second, fraction, size, _ = struct.unpack_from(self._order + "4I", data, position)
            if size > MOST_PACKET:
                self.stopped = f"the packet claims {size:,} bytes, so nothing can be read from here on"
                break
            if position + 16 + size > len(data):
                break
            self.number += 1
            found.append((position + 16, size, second * NS + fraction * self._step_ns, 0, 0, self.number))
            position += 16 + size
        return found, position


class _Interface(NamedTuple):
    channel: int
    per_second: int
    offset_s: int


class SlowBlocks(SlowWalk):
    """The packets of a `.pcapng` file: as those of `SlowRecords`."""

    def __init__(self, most_described: int) -> None:
        super().__init__()
        self.channels: tuple[str, ...] = ()
        self._most_described = most_described
        self._described = 0
        self._order = "<"
        self._interfaces: list[_Interface] = []

    def walk(self, data: bytes) -> tuple[list[Row], int]:
        found: list[Row] = []
        position = 0
        while position + 12 <= len(data):
            if data.startswith(b"\x0a\x0d\x0d\x0a", position):
                self._order = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}.get(
                    data[position + 8 : position + 12], ""
                )
                self._interfaces = []
            kind, size = struct.unpack_from(self._order + "2I", data, position) if self._order else (0, 0)
            if size < 12 or size % 4 or size > 4 * MOST_PACKET:
                self.stopped = f"a block claims {size:,} bytes, so nothing can be read from here on"
                break
            if kind in {1, 0x0A0D0D0A} and self._described == self._most_described:
                self.stopped = "too many are described"
                break
            if position + size > len(data):
                break
            self._described += kind in {1, 0x0A0D0D0A}
            if kind == 1 and not self._added(data[position : position + size]):
                self.stopped = (
                    "the description of an interface is too short, so nothing can be read from here on"
                )
                break
            if kind in {2, 3, 6}:
                self.number += 1
                found += self._packet(kind, position, data[position : position + size])
            position += size
        return found, position

    def _options(self, data: bytes) -> dict[int, bytes]:
        found: dict[int, bytes] = {}
        while len(data) >= 4:
            code, size = struct.unpack_from(self._order + "2H", data)
            if code == 0 or 4 + size > len(data):
                break
            found.setdefault(code, data[4 : 4 + size])
            data = data[4 + (size + 3) // 4 * 4 :]
        return found

    def _added(self, block: bytes) -> bool:
        if len(block) < 20:
            return False
        (link_type,) = struct.unpack_from(self._order + "H", block, 8)
        options = self._options(block[16:-4])
        resolution = (options.get(9) or b"\6")[0]
        exponent = resolution & 0x7F
        per_second = 2 ** min(exponent, 63) if resolution & 0x80 else 10 ** min(exponent, 18)
        offset = options.get(14, b"")
        seconds = struct.unpack(self._order + "q", offset)[0] if len(offset) == 8 else 0
        channel = -1
        if link_type == 227:
            name = options.get(2, b"").decode() or str(len(self._interfaces) + 1)
            if name not in self.channels:
                self.channels = (*self.channels, name)
            channel = self.channels.index(name)
        self._interfaces.append(_Interface(channel, per_second, seconds))
        return True

    def _packet(self, kind: int, position: int, block: bytes) -> list[Row]:
        reason, row = self._read(kind, block)
        if reason:
            self.bad.append((self.number, reason))
        if not row:
            return []
        channel, t_ns, captured = row
        told = self._options(block[28 + (captured + 3) // 4 * 4 : -4]).get(2, b"")
        direction = struct.unpack(self._order + "I", told)[0] & 3 if len(told) == 4 else 0
        flags = {1: FLAG_RECEIVED, 2: FLAG_SENT}.get(direction, 0)
        return [(position + 28, captured, t_ns, channel, flags, self.number)]

    def _read(self, kind: int, block: bytes) -> tuple[str, Row]:
        """Return what is wrong with a packet, or its channel, stamp and bytes captured; or neither."""
        if kind == 3:
            first_is_can = bool(self._interfaces) and self._interfaces[0].channel >= 0
            return "the packet has no stamp" if first_is_can else "", ()
        if len(block) < 32:
            return "the packet's block is too short", ()
        (named,) = struct.unpack_from(self._order + ("H" if kind == 2 else "I"), block, 8)
        if named >= len(self._interfaces):
            return "the packet names an interface that was not described", ()
        interface = self._interfaces[named]
        high, low, captured = struct.unpack_from(self._order + "3I", block, 12)
        t_ns = ((high << 32) + low) * NS // interface.per_second + interface.offset_s * NS
        reason = ""
        if interface.channel >= 0 and captured > len(block) - 32:
            reason = "the packet is longer than its block"
        elif interface.channel >= 0 and not -LATEST_NS < t_ns < LATEST_NS:
            reason = "the stamp is too late for nanoseconds in 64 bits"
        is_frame = interface.channel >= 0 and not reason
        return reason, (interface.channel, t_ns, captured) if is_frame else ()
