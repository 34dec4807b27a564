"""Frames, SocketCAN packets (link type 227) to columns, whatever packet capture they stand in.

In: a buffer and where its packets are. Out: one chunk. The layout is that of the link type's page,
LINKTYPE_CAN_SOCKETCAN: identifier and flags in 4 bytes, big endian; length; FD flags; 2 bytes; payload.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.binary.gather import BadObjects, payload_within, records_at, sifted
from canmap.frames.binary.packet_layout import ERROR_STATE, IS_FD, RATE_SWITCH
from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FrameChunk, FrameKind
from canmap.frames.row import ERROR_BIT, EXTENDED_BIT, EXTENDED_LIMIT, REMOTE_BIT

if TYPE_CHECKING:
    from numpy.typing import NDArray

HEAD = 8  # bytes before the payload
LONGEST = 72
MOST_PACKET = 1 << 18  # bytes; what claims more is damaged

_PACKET = np.dtype(
    [("word", ">u4"), ("length", "u1"), ("fd", "u1"), ("reserved", "u1", 2), ("data", "u1", 64)]
)
_IS_XL = 0x80  # bit of the length byte


class Packets(NamedTuple):
    """Packets of a buffer, int64[n] each."""

    start: NDArray[np.int64]  # first byte
    size: NDArray[np.int64]  # bytes captured
    t_ns: NDArray[np.int64]
    channel: NDArray[np.int64]  # index of its interface among the channels
    flags: NDArray[np.int64]  # the FLAG_ bits of its direction
    number: NDArray[np.int64]  # in the capture, from 1

    def where(self, chosen: NDArray[np.bool_]) -> Packets:
        """Return some of the packets."""
        return Packets(*(column[chosen] for column in self))


def joined(parts: list[Packets]) -> Packets:
    """Return the packets of all parts."""
    if not parts:
        return Packets(*np.zeros((len(Packets._fields), 0), np.int64))
    return parts[0] if len(parts) == 1 else Packets(*map(np.concatenate, zip(*parts, strict=True)))


def chunk_of(
    capture: str, data: bytes, packets: Packets, channels: tuple[str, ...], bad: BadObjects
) -> FrameChunk:
    """Return the frames of a buffer, and bad lines for the packets that are none.

    Args:
        capture: Name of the capture.
        data: The buffer.
        packets: Where its packets are.
        channels: Names of the interfaces.
        bad: Packets that were found wrong before.
    """
    start, size, t_ns, channel, flags, number = packets
    records = records_at(data, start, _PACKET)
    stated, word = records["length"], records["word"]
    remote = (word & REMOTE_BIT) != 0
    # Old writers do not set the bit: a packet of an FD frame's size is one then.
    is_fd = ((records["fd"] & IS_FD) != 0) | ((size == LONGEST) & (stated & _IS_XL == 0))
    kind = np.where((word & ERROR_BIT) != 0, FrameKind.ERROR, np.where(remote, FrameKind.REMOTE, 0))
    short, is_xl = size < HEAD, (stated & _IS_XL) != 0
    cut = ~short & ~is_xl & ~remote & (size < HEAD + stated)
    for wrong, reason in (
        (short, "the packet is shorter than the header of a frame"),
        (is_xl & ~short, "the frame is CAN XL, which is not read"),
        (cut, "the recorder kept only the beginning of the packet"),
    ):
        bad.add_all(number[wrong], reason)
    kept = ~(short | is_xl | cut)
    extra = np.where((records["fd"] & RATE_SWITCH) != 0, FLAG_BIT_RATE_SWITCH, 0)
    extra |= np.where((records["fd"] & ERROR_STATE) != 0, FLAG_ERROR_PASSIVE, 0)
    flags = flags | np.where(is_fd, extra | FLAG_FD, 0)
    chunk = FrameChunk(
        channels=channels,
        t_ns=t_ns,
        channel=channel.astype(np.uint8),
        can_id=(word & EXTENDED_LIMIT).astype(np.uint32),
        extended=((word & EXTENDED_BIT) != 0) & (kind != FrameKind.ERROR),
        kind=kind.astype(np.uint8),
        flags=flags.astype(np.uint8),
        length=stated.copy(),
        payload=payload_within(records["data"], _kept_bytes(stated, remote, size)),
        line=number,
    )
    return sifted(chunk if kept.all() else chunk.take(kept), capture, bad)


def _kept_bytes(
    length: NDArray[np.uint8], remote: NDArray[np.bool_], size: NDArray[np.int64]
) -> NDArray[np.uint8]:
    return np.where(remote, 0, np.minimum(length, np.clip(size - HEAD, 0, 64))).astype(np.uint8)
