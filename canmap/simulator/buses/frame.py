"""Simulator: one frame as a node hands it to its controller, and who wins when two start together."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.errors import UsageError
from canmap.frames.chunks import FD_LENGTHS, FLAG_FD

if TYPE_CHECKING:
    from collections.abc import Callable

STANDARD_IDS = 1 << 11
EXTENDED_IDS = 1 << 29
# Payload lengths that a frame can have; those above 8 only as FD (ISO 11898-1, data length codes 9 to 15).


class Frame(NamedTuple):
    """A frame, without a time.

    Attributes:
        can_id: Identifier, 11 or 29 bits.
        payload: 0 to 8 bytes; for FD one of `FD_LENGTHS`; empty for a remote frame.
        extended: The identifier has 29 bits.
        remote: It asks for data; `requested` is the length asked for.
        requested: 0 to 8, of a remote frame only.
        flags: `FLAG_FD` and `FLAG_BIT_RATE_SWITCH` of `canmap.frames.chunks`.
    """

    can_id: int
    payload: bytes = b""
    extended: bool = False
    remote: bool = False
    requested: int = 0
    flags: int = 0

    @property
    def length_code(self) -> int:
        """The data length code, 0 to 15."""
        return self.requested if self.remote else FD_LENGTHS.index(len(self.payload))


# Without the keyword handling of a NamedTuple.
new_frame: Callable[[tuple[object, ...]], Frame] = partial(tuple.__new__, Frame)


def checked(frame: Frame) -> Frame:
    """Return `frame`, or raise `UsageError` where no bus could carry it."""
    where = f"frame 0x{frame.can_id:X}"
    if not 0 <= frame.can_id < (EXTENDED_IDS if frame.extended else STANDARD_IDS):
        raise UsageError(
            f"{where}: the identifier needs more than {29 if frame.extended else 11} bits; shorten it."
        )
    allowed = FD_LENGTHS if frame.flags & FLAG_FD else FD_LENGTHS[:9]
    if len(frame.payload) not in allowed or not 0 <= frame.requested <= 8:
        raise UsageError(
            f"{where}: {len(frame.payload)} payload bytes are not possible; take one of {allowed}."
        )
    if frame.remote and (frame.flags & FLAG_FD or frame.payload):
        raise UsageError(f"{where}: a remote frame is classic and carries no payload; drop one of the two.")
    return frame


def arbitration_key(can_id: int, *, extended: bool = False, remote: bool = False) -> int:
    """Return the bits sent while senders still compete, as a number: the lowest wins.

    Standard: identifier, RTR, IDE dominant. Extended: upper 11 bits, SRR and IDE recessive, lower 18
    bits, RTR. So a standard frame beats every extended one with the same upper bits, and data beat the
    remote frame of their identifier (ISO 11898-1, from memory).
    """
    if not extended:
        return can_id << 21 | remote << 20
    return (can_id >> 18) << 21 | 0b11 << 19 | (can_id & 0x3FFFF) << 1 | remote
