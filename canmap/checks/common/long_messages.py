"""Messages of several packets that a J1939 node sends to all (SAE J1939-21, from memory).

A frame of the group TP.CM announces one: its first byte is 32, then come the length in bytes, the number of
packets, a byte that is reserved, and the parameter group, least significant byte first. The packets follow,
frames of the group TP.DT: a number from 1 on, and seven bytes each. A node sends one such message at a time,
and no more than 750 ms lie between two of its frames. What is between two nodes alone is not read.

Where a packet is missing, or comes out of turn, there is no message; what still comes of it means nothing.
"""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.stream.view import View

ANNOUNCEMENT, PACKET = 0xECFF, 0xEBFF  # PDU format and destination, which is all
_TO_ALL = 32  # control byte of an announcement
_WAITS_NS = 750_000_000  # the time T1
_LONGEST_BYTES, _PACKET_BYTES, _WIDTH = 1785, 7, 8
_SOURCE_BITS = 8


@dataclass(frozen=True, slots=True)
class PacketFrames:
    """Announcements and packets, in the order in which they came.

    Attributes:
        sender: int64[n], bus << 8 | source address.
        row: int64[n], place in the chunk; of one from an earlier chunk it has no meaning.
        clock: int64[n], session clock.
        opens: bool[n], it is an announcement.
        payload: uint8[n, 8].
    """

    sender: NDArray[np.int64]
    row: NDArray[np.int64]
    clock: NDArray[np.int64]
    opens: NDArray[np.bool_]
    payload: NDArray[np.uint8]

    def at(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> PacketFrames:
        """Return some of them."""
        return PacketFrames(*(getattr(self, one.name)[rows] for one in fields(self)))

    def joined(self, later: PacketFrames) -> PacketFrames:
        """Return these and later ones."""
        return PacketFrames(
            *(np.concatenate((getattr(self, one.name), getattr(later, one.name))) for one in fields(self))
        )


_NONE = np.zeros(0, np.int64)
NO_PACKETS = PacketFrames(_NONE, _NONE, _NONE, np.zeros(0, np.bool_), np.zeros((0, _WIDTH), np.uint8))


@dataclass(frozen=True, slots=True)
class LongMessages:
    """Messages of several packets that ended in a chunk, whole or not.

    Attributes:
        sender: int64[m], bus << 8 | source address.
        group: int64[m], parameter group.
        row: int64[m], place in the chunk of the frame that ended each.
        whole: bool[m], all its packets came.
        start: int64[m], where its bytes begin in `content`.
        length: int64[m], how many they are, 0 where it is not whole.
        content: uint8[b], the bytes of those that are whole, one after the other.
    """

    sender: NDArray[np.int64]
    group: NDArray[np.int64]
    row: NDArray[np.int64]
    whole: NDArray[np.bool_]
    start: NDArray[np.int64]
    length: NDArray[np.int64]
    content: NDArray[np.uint8]


class PacketReader:
    """Puts packets together; what has only begun is kept from chunk to chunk."""

    def __init__(self) -> None:
        self._begun = NO_PACKETS

    def forget(self, buses: Collection[int]) -> None:
        """Forget what has begun on some buses: their recording has a hole."""
        self._begun = self._begun.at(~np.isin(self._begun.sender >> _SOURCE_BITS, list(buses)))

    def take(self, view: View) -> LongMessages | None:
        """Return the messages that end in a chunk, by sender; None where it has no packets."""
        came = _packets(view)
        if not len(came.row):
            return None
        came = self._begun.joined(came)
        came = came.at(np.argsort(came.sender, kind="stable"))
        first = np.diff(came.sender, prepend=-1) != 0
        starts = (came.opens | first).nonzero()[0]
        announced = _Announced(came, starts)
        place = np.arange(len(came.row)) - starts.repeat(announced.frames)
        in_time = np.diff(came.clock, prepend=0) <= _WAITS_NS
        asked = (place > 0) & (place <= announced.packets.repeat(announced.frames))
        wrong = asked & ~((came.payload[:, 0] == place) & in_time)
        first_wrong = np.minimum.reduceat(np.where(wrong, np.arange(len(wrong)), len(wrong)), starts)
        broken = first_wrong < len(wrong)
        full = ~broken & (announced.frames > announced.packets)
        is_last = np.append(first[starts[1:]], True)
        begun = announced.valid & ~broken & ~full & is_last
        self._begun = came.at(begun.repeat(announced.frames))
        ends = np.where(
            broken, first_wrong, np.where(full, starts + announced.packets, starts + announced.frames)
        )
        told = (announced.valid & ~begun).nonzero()[0]
        content = came.payload[asked & full.repeat(announced.frames), 1:].reshape(-1)
        taken = np.where(full, announced.packets * _PACKET_BYTES, 0)
        return LongMessages(
            came.sender[starts[told]],
            announced.group[told],
            came.row[ends[told]],
            full[told],
            (taken.cumsum() - taken)[told],
            np.where(full, announced.length, 0)[told],
            content,
        )


class _Announced:
    """What the frames at some places announce, and how many follow each, itself included."""

    def __init__(self, came: PacketFrames, starts: NDArray[np.intp]) -> None:
        head = came.payload[starts].astype(np.int64)
        self.frames = np.diff(starts, append=len(came.row))
        self.length, self.group = (
            head[:, 1] | head[:, 2] << 8,
            head[:, 5] | head[:, 6] << 8 | head[:, 7] << 16,
        )
        self.packets = head[:, 3]
        fits = (self.length > _WIDTH) & (self.length <= _LONGEST_BYTES)
        self.valid = came.opens[starts] & fits & (self.packets == -(-self.length // _PACKET_BYTES))


def are_packets(chunk: FrameChunk) -> NDArray[np.bool_]:
    """Return bool[n], which frames of a chunk are announcements and packets to all, by their identifiers."""
    kind = chunk.can_id >> _SOURCE_BITS & 0x3FFFF
    found: NDArray[np.bool_] = chunk.extended & ((kind == ANNOUNCEMENT) | (kind == PACKET))
    return found


def _packets(view: View) -> PacketFrames:
    """Return the announcements and packets of a chunk; a frame that was recorded twice is one."""
    chunk = view.prepared.chunk
    rows = are_packets(chunk).nonzero()[0]
    if not len(rows):
        return NO_PACKETS
    rows = rows[(chunk.kind[rows] == FrameKind.DATA) & (chunk.length[rows] >= _WIDTH)]
    rows = rows[~np.isin(rows, view.prepared.repeats.rows)]
    opens = (chunk.can_id[rows] >> _SOURCE_BITS & 0x3FFFF) == ANNOUNCEMENT
    payload = chunk.payload[rows, :_WIDTH]
    kept = ~opens | (payload[:, 0] == _TO_ALL)
    rows, opens, payload = rows[kept], opens[kept], payload[kept]
    sender = view.prepared.bus[rows].astype(np.int64) << _SOURCE_BITS | chunk.can_id[rows] & 0xFF
    return PacketFrames(sender, rows, view.clock[rows], opens, payload).at(sender >= 0)
