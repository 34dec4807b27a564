"""Frames, packet captures: a `.pcap` file, or a `.pcapng` file, to chunks.

In: a binary stream. Out: chunks; the line of a frame is the number of its packet. The layouts are those of
draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng. Stamps are exact, in whatever resolution the capture
tells; only finer ones than ns are rounded down. Interfaces without a name are called by their number, from 1.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.errors import CaptureError
from canmap.frames.batches import NS, UNNAMED_CHANNEL
from canmap.frames.binary.gather import BadObjects, followed, records_at
from canmap.frames.binary.packet_layout import LINK_TYPE
from canmap.frames.binary.packets import MOST_PACKET, Packets, chunk_of, joined
from canmap.frames.binary.pcapng import PacketBlocks
from canmap.frames.capture_formats import PCAP_MAGICS, PCAPNG_MAGIC
from canmap.frames.content import read_up_to
from canmap.frames.unread import cut_short, stopped

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.unread import Unread

BUFFER = 1 << 20  # bytes that become one chunk
FILE_HEADER = 24
RECORD_HEADER = 16
WORD = 4


def read_pcap(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a packet capture of either kind.

    Raises:
        CaptureError: It is none, or one of another link type.
    """
    walker: _Records | PacketBlocks | None = None
    rest, ended = b"", False
    while not ended:
        more, damage = read_up_to(stream, BUFFER)
        ended = len(more) < BUFFER
        data = rest + more
        if walker is None:
            walker = _walker(name, data)
        packets, end = walker.walk(data)
        rest = data[end:]
        ended |= bool(walker.stopped)
        if ended and (reason := walker.stopped or damage or (cut_short(inside="a packet") if rest else None)):
            walker.bad.add(walker.number + 1, reason)
        bad, walker.bad = walker.bad, BadObjects()
        yield chunk_of(name, data, packets, walker.channels, bad)
    if walker is not None and walker.has_others and not walker.channels:
        raise CaptureError(f"{name}: the capture has no interface of link type {LINK_TYPE} (SocketCAN).")


def _walker(name: str, data: bytes) -> _Records | PacketBlocks:
    if data.startswith(PCAPNG_MAGIC):
        return PacketBlocks()
    if data[:4] not in PCAP_MAGICS or len(data) < FILE_HEADER:
        raise CaptureError(
            f"{name}: this is not a packet capture, or only the beginning of one; check the file."
        )
    order, step_ns = PCAP_MAGICS[data[:4]]
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
        bad: Packets that cannot be read, for whoever walks to take.
        number: Packets so far.
        stopped: Why nothing more can be read; None while that is not so.
        has_others: Whether there are interfaces of other link types.
    """

    has_others = False

    def __init__(self, order: str, step_ns: int) -> None:
        self.channels: tuple[str, ...] = (UNNAMED_CHANNEL,)
        self.bad = BadObjects()
        self.number = 0
        self.stopped: Unread | None = None
        self._header = np.dtype(
            [(name, order + "u4") for name in ("second", "fraction", "size", "size_on_the_bus")]
        )
        self._step_ns = step_ns
        self._skip = FILE_HEADER
        # Where all packets are of whole words, as those of SocketCAN are, so are the places of the records.
        self._unit = WORD

    def walk(self, data: bytes) -> tuple[Packets, int]:
        """Return the packets that are whole, and where the rest begins."""
        found: list[Packets] = []
        position, self._skip = self._skip, 0
        while position + RECORD_HEADER <= len(data):
            starts = self._starts(data, position)
            header = records_at(data, starts, self._header)
            size = header["size"].astype(np.int64)
            last = int(size[-1])
            if last > MOST_PACKET:
                self.stopped = stopped(
                    f"the packet claims {last:,} bytes, so nothing can be read from here on"
                )
            is_whole = last <= MOST_PACKET and int(starts[-1]) + RECORD_HEADER + last <= len(data)
            whole = slice(len(starts) if is_whole else len(starts) - 1)
            found.append(self._packets(starts[whole], size[whole], header[whole]))
            if not is_whole:
                return joined(found), int(starts[-1])
            position = int(starts[-1]) + RECORD_HEADER + last
            if last % self._unit:
                self._unit = 1
        return joined(found), position

    def _starts(self, data: bytes, position: int) -> NDArray[np.int64]:
        """Return where the records begin, from one on to one that is the last for some reason.

        At every place where a record might begin the size is read that it would have; then they are followed.
        """
        unit = self._unit
        count = (len(data) - position - RECORD_HEADER) // unit + 1
        size = np.ndarray((count,), self._header["size"], data, position + 8, (unit,)).astype(np.uint32)
        following = np.arange(RECORD_HEADER // unit, count + RECORD_HEADER // unit) + size // np.uint32(unit)
        following[(size > MOST_PACKET) | (size & np.uint32(unit - 1) != 0)] = count
        return position + unit * followed(following)

    def _packets(self, starts: NDArray[np.int64], size: NDArray[np.int64], header: NDArray[Any]) -> Packets:
        """Count the records, and return the packets in them."""
        number = self.number + 1 + np.arange(len(starts))
        self.number += len(starts)
        t_ns = header["second"].astype(np.int64) * NS + header["fraction"].astype(np.int64) * self._step_ns
        zero = np.zeros(len(starts), np.int64)
        return Packets(starts + RECORD_HEADER, size, t_ns, zero, zero, number)
