"""Frames, SocketCAN packets (link type 227) to columns, whatever packet capture they stand in.

In: a buffer and where its packets are. Out: one chunk. The layout is that of the link type's page,
LINKTYPE_CAN_SOCKETCAN: identifier and flags in 4 bytes, big endian; length; FD flags; 2 bytes; payload.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FrameChunk, FrameKind
from canmap.frames.gather import payload_within, records_at, sifted

if TYPE_CHECKING:
    from array import array

    from numpy.typing import NDArray

LINK_TYPE = 227
HEAD = 8  # bytes before the payload
LONGEST = 72
MOST_PACKET = 1 << 18  # bytes; what claims more is damaged

_PACKET = np.dtype(
    [("word", ">u4"), ("length", "u1"), ("fd", "u1"), ("reserved", "u1", 2), ("data", "u1", 64)]
)
_EXTENDED, _REMOTE, _ERROR, _IDENTIFIER = 0x80000000, 0x40000000, 0x20000000, 0x1FFFFFFF
_IS_FD, _RATE_SWITCH, _ERROR_STATE = 0x04, 0x01, 0x02
_IS_XL = 0x80  # bit of the length byte


# Six numbers of each packet of a buffer: its first byte, the bytes captured, the stamp in ns, the index of
# its interface among the channels, the FLAG_ bits of its direction, its number in the capture.
FIELDS = 6


def chunk_of(
    capture: str, data: bytes, packets: array[int], channels: tuple[str, ...], bad: list[tuple[int, str]]
) -> FrameChunk:
    """Return the frames of a buffer, and bad lines for the packets that are none.

    Args:
        capture: Name of the capture.
        data: The buffer.
        packets: Where its packets are, FIELDS numbers each.
        channels: Names of the interfaces.
        bad: Number and reason of packets that were found wrong before.
    """
    table = np.frombuffer(packets, np.int64).reshape(-1, FIELDS)
    start, size, t_ns, channel, flags, number = table.T
    records = records_at(data, start, _PACKET)
    told, word = records["length"], records["word"]
    remote = (word & _REMOTE) != 0
    # Old writers do not set the bit: a packet of an FD frame's size is one then.
    is_fd = ((records["fd"] & _IS_FD) != 0) | ((size == LONGEST) & (told & _IS_XL == 0))
    kind = np.where((word & _ERROR) != 0, FrameKind.ERROR, np.where(remote, FrameKind.REMOTE, 0))
    short, is_xl = size < HEAD, (told & _IS_XL) != 0
    cut = ~short & ~is_xl & ~remote & (size < HEAD + told)
    for wrong, reason in (
        (short, "the packet is shorter than the header of a frame"),
        (is_xl & ~short, "the frame is CAN XL, which is not read"),
        (cut, "the recorder kept only the beginning of the packet"),
    ):
        bad += [(int(line), reason) for line in number[wrong]]
    kept = ~(short | is_xl | cut)
    extra = np.where((records["fd"] & _RATE_SWITCH) != 0, FLAG_BIT_RATE_SWITCH, 0)
    extra |= np.where((records["fd"] & _ERROR_STATE) != 0, FLAG_ERROR_PASSIVE, 0)
    flags = flags | np.where(is_fd, extra | FLAG_FD, 0)
    chunk = FrameChunk(
        channels=channels,
        t_ns=np.ascontiguousarray(t_ns),
        channel=channel.astype(np.uint8),
        can_id=(word & _IDENTIFIER).astype(np.uint32),
        extended=((word & _EXTENDED) != 0) & (kind != FrameKind.ERROR),
        kind=kind.astype(np.uint8),
        flags=flags.astype(np.uint8),
        length=told.copy(),
        payload=payload_within(records["data"], _kept_bytes(told, remote, size)),
        line=np.ascontiguousarray(number),
    )
    return sifted(chunk if kept.all() else chunk.take(kept), capture, bad)


def _kept_bytes(
    length: NDArray[np.uint8], remote: NDArray[np.bool_], size: NDArray[np.int64]
) -> NDArray[np.uint8]:
    return np.where(remote, 0, np.minimum(length, np.clip(size - HEAD, 0, 64))).astype(np.uint8)
