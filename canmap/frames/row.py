"""Frames: one frame of a capture, for readers that go line by line or object by object."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameKind

STANDARD_LIMIT = 0x7FF  # the largest identifiers
EXTENDED_LIMIT = 0x1FFFFFFF
# The other bits of SocketCAN's identifier word [include/uapi/linux/can.h].
EXTENDED_BIT, REMOTE_BIT, ERROR_BIT = 0x80000000, 0x40000000, 0x20000000


class Row(NamedTuple):
    """One frame; names and units as the columns of `FrameChunk`."""

    t_ns: int
    channel: str
    can_id: int
    extended: bool
    kind: FrameKind
    flags: int
    length: int
    payload: bytes


class UnreadableError(Exception):
    """A line or object cannot be read; the text is the reason, as the end of a sentence."""
