"""Frames, packet captures: a `.pcap` file, or a `.pcapng` file, to chunks.

In: a binary stream. Out: chunks; the line of a frame is the number of its packet. The layouts are those of
draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng. Stamps are exact, in whatever resolution the capture
tells; only finer ones than ns are rounded down. Interfaces without a name are called by their number, from 1.
"""

from __future__ import annotations

import struct
from array import array
from typing import TYPE_CHECKING

from canmap.chunks import CUT_SHORT
from canmap.errors import CaptureError
from canmap.frames.batches import NS, UNNAMED_CHANNEL
from canmap.frames.packets import LINK_TYPE, MOST_PACKET, chunk_of
from canmap.frames.pcapng import PCAPNG_MAGIC, Blocks
from canmap.frames.textlog import DAMAGE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from canmap.chunks import FrameChunk

BUFFER = 1 << 20  # bytes that become one chunk
FILE_HEADER = 24
RECORD_HEADER = 16
# First four bytes: byte order, and ns of one step of the fraction.
_MAGICS = {
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
PCAP_MAGICS = (*_MAGICS, PCAPNG_MAGIC)


def read_pcap(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a packet capture of either kind.

    Raises:
        CaptureError: It is none, or one of another link type.
    """
    walker: _Records | Blocks | None = None
    rest, ended, damage = b"", False, ""
    while not ended:
        try:
            more = stream.read(BUFFER)
        except DAMAGE as error:
            more, damage = b"", f"the data cannot be read from here on ({error})"
        ended = not more
        data = rest + more
        if walker is None:
            walker = _walker(name, data)
        packets, end = walker.walk(data)
        rest = data[end:]
        if walker.stopped:
            ended = True
        if ended and (
            reason := walker.stopped or damage or (rest and f"{CUT_SHORT}, in the middle of a packet")
        ):
            walker.bad.append((walker.number + 1, reason))
        yield chunk_of(name, data, packets, walker.channels, walker.bad)
        walker.bad = []
    if walker is not None and walker.has_others and not walker.channels:
        raise CaptureError(f"{name}: the capture has no interface of link type {LINK_TYPE} (SocketCAN).")


def _walker(name: str, data: bytes) -> _Records | Blocks:
    if data.startswith(PCAPNG_MAGIC):
        return Blocks()
    if data[:4] not in _MAGICS or len(data) < FILE_HEADER:
        raise CaptureError(
            f"{name}: this is no packet capture, or only the beginning of one; check the file."
        )
    order, step_ns = _MAGICS[data[:4]]
    (link_type,) = struct.unpack_from(order + "I", data, 20)
    if link_type & 0xFFFF != LINK_TYPE:
        raise CaptureError(
            f"{name}: its packets are of link type {link_type & 0xFFFF}, not {LINK_TYPE} (SocketCAN); "
            "capture on a CAN interface."
        )
    return _Records(order, step_ns)


class _Records:
    """The records of a `.pcap` file, found in one buffer after the other.

    Attributes:
        channels: Names of its interfaces; this kind of file knows one, without a name.
        bad: Number and reason of packets that cannot be read, for whoever walks to take.
        number: Packets so far.
        stopped: Why nothing more can be read; empty while that is not so.
        has_others: Whether there are interfaces of other link types.
    """

    has_others = False

    def __init__(self, order: str, step_ns: int) -> None:
        self.channels: tuple[str, ...] = (UNNAMED_CHANNEL,)
        self.bad: list[tuple[int, str]] = []
        self.number = 0
        self.stopped = ""
        self._header = struct.Struct(order + "4I")
        self._step_ns = step_ns
        self._skip = FILE_HEADER

    def walk(self, data: bytes) -> tuple[array[int], int]:
        """Return the packets that are whole, and where the rest begins."""
        packets = array("q")
        position, end = self._skip, len(data)
        self._skip = 0
        unpack, step_ns = self._header.unpack_from, self._step_ns
        number = self.number
        while position + RECORD_HEADER <= end:
            second, fraction, size, _ = unpack(data, position)
            if size > MOST_PACKET:
                self.stopped = f"the packet claims {size:,} bytes, so nothing can be read from here on"
                break
            start = position + RECORD_HEADER
            if start + size > end:
                break
            number += 1
            packets.extend((start, size, second * NS + fraction * step_ns, 0, 0, number))
            position = start + size
        self.number = number
        return packets, position
