"""Outputs: chunks of frames to packet captures of link type 227, exactly.

Layouts after draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng and the page of LINKTYPE_CAN_SOCKETCAN; little
endian, stamps in ns.
"""

from __future__ import annotations

import struct
from typing import IO, TYPE_CHECKING

from canmap.frames.binary.packet_layout import (
    BYTE_ORDER,
    ERROR_STATE,
    INTERFACE,
    IS_FD,
    LINK_TYPE,
    OPTION_FLAGS,
    OPTION_NAME,
    OPTION_RESOLUTION,
    OPTIONS_END,
    PACKET,
    RATE_SWITCH,
    RECEIVED,
    SECTION,
    SENT,
)
from canmap.frames.capture_formats import PCAP_MAGICS
from canmap.frames.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import ERROR_BIT, EXTENDED_BIT, REMOTE_BIT

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.frames.chunks import FrameChunk

NS = 1_000_000_000
SNAP_LENGTH = 262_144  # bytes of a packet that are kept at most
NANOSECONDS = b"\x09"  # the resolution of stamps, 10^-9 s


class UnfitStampError(Exception):
    """A stamp that a format cannot hold; the text says so."""


def write_pcap(file: IO[bytes], chunks: Iterable[FrameChunk]) -> None:
    """Write frames as a `.pcap` file, which knows neither channels nor directions.

    Raises:
        OSError: The file cannot be written.
        UnfitStampError: A stamp is none that the format can hold.
    """
    file.write(_PCAP_MAGIC + struct.pack("<2H4I", 2, 4, 0, 0, SNAP_LENGTH, LINK_TYPE))
    for chunk in chunks:
        for i in range(len(chunk)):
            seconds, fraction = divmod(int(chunk.t_ns[i]), NS)
            if not 0 <= seconds < 1 << 32:
                raise UnfitStampError(f"a .pcap file cannot hold a stamp of {seconds} s; write .pcapng.")
            packet = _packet(chunk, i)
            file.write(struct.pack("<4I", seconds, fraction, len(packet), len(packet)) + packet)


def write_pcapng(file: IO[bytes], chunks: Iterable[FrameChunk]) -> None:
    """Write frames as a `.pcapng` file, one interface for each channel.

    Raises:
        OSError: The file cannot be written.
        UnfitStampError: A stamp is none that the format can hold.
    """
    interfaces: dict[str, int] = {}
    file.write(_block(SECTION, struct.pack("<I2Hq", BYTE_ORDER, 1, 0, -1)))
    for chunk in chunks:
        for i in range(len(chunk)):
            name = chunk.channels[chunk.channel[i]]
            if name not in interfaces:
                interfaces[name] = len(interfaces)
                options = _option(OPTION_NAME, name.encode()) + _option(OPTION_RESOLUTION, NANOSECONDS) + _END
                file.write(_block(INTERFACE, struct.pack("<2HI", LINK_TYPE, 0, SNAP_LENGTH) + options))
            t_ns = int(chunk.t_ns[i])
            if t_ns < 0:
                raise UnfitStampError("a packet capture cannot hold stamps before 1970; write .parquet.")
            file.write(_packet_block(interfaces[name], t_ns, _packet(chunk, i), int(chunk.flags[i])))


def _packet_block(interface: int, t_ns: int, packet: bytes, flags: int) -> bytes:
    direction = RECEIVED if flags & FLAG_RECEIVED else SENT if flags & FLAG_SENT else 0
    options = _option(OPTION_FLAGS, struct.pack("<I", direction)) + _END if direction else b""
    head = struct.pack("<5I", interface, t_ns >> 32, t_ns & 0xFFFFFFFF, len(packet), len(packet))
    return _block(PACKET, head + _padded(packet) + options)


def _block(kind: int, body: bytes) -> bytes:
    size = len(body) + 12
    return struct.pack("<2I", kind, size) + body + struct.pack("<I", size)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<2H", code, len(value)) + _padded(value)


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


_PCAP_MAGIC = next(magic for magic, written in PCAP_MAGICS.items() if written == ("<", 1))
_END = _option(OPTIONS_END, b"")


def _packet(chunk: FrameChunk, i: int) -> bytes:
    kind, length, flags = int(chunk.kind[i]), int(chunk.length[i]), int(chunk.flags[i])
    word = int(chunk.can_id[i]) | (EXTENDED_BIT if chunk.extended[i] else 0)
    word |= {FrameKind.REMOTE: REMOTE_BIT, FrameKind.ERROR: ERROR_BIT}.get(FrameKind(kind), 0)
    fd = 0
    if flags & FLAG_FD:
        fd = IS_FD | (RATE_SWITCH if flags & FLAG_BIT_RATE_SWITCH else 0)
        fd |= ERROR_STATE if flags & FLAG_ERROR_PASSIVE else 0
    payload = b"" if kind == FrameKind.REMOTE else chunk.payload[i, :length].tobytes()
    return struct.pack(">I4B", word, length, fd, 0, 0) + payload.ljust(64 if flags & FLAG_FD else 8, b"\0")
