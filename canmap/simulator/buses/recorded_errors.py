"""Simulator: destroyed attempts as the error frames that a SocketCAN recorder writes.

Class bits, error types and locations: Linux include/uapi/linux/can/error.h. The location is that of a bit
counted without stuff bits, so it can name the field after the true one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import FrameKind
from canmap.simulator.buses.network import ErrorKind, Outcome

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.traffic import Heard

PROTOCOL, ACKNOWLEDGE, BUS_ERROR = 0x008, 0x020, 0x080
# Of bit errors, stuff errors and missing acknowledgements, by the numbers of `ErrorKind`.
_CLASS = np.array([PROTOCOL | BUS_ERROR, PROTOCOL | BUS_ERROR, ACKNOWLEDGE | BUS_ERROR], np.uint32)
_TYPE = np.array([0x01, 0x04, 0x00], np.uint8)
TYPE_BYTE, LOCATION_BYTE = 2, 3
ERROR_LENGTH = 8
ACKNOWLEDGE_SLOT = 0x19
# First bit of each field and its code: start of frame, ID28-21, ID20-18, remote, IDE, reserved, length, data.
_STANDARD = ((0, 0x03), (1, 0x02), (9, 0x06), (12, 0x0C), (13, 0x05), (14, 0x09), (15, 0x0B), (19, 0x0A))
# The same with ID17-13, ID12-5, ID4-0 and the second remote and reserved bits.
_EXTENDED = (
    (0, 0x03), (1, 0x02), (9, 0x06), (12, 0x04), (13, 0x05), (14, 0x07), (19, 0x0F), (27, 0x0E), (32, 0x0C),
    (33, 0x0D), (34, 0x09), (35, 0x0B), (39, 0x0A),
)  # fmt: skip
_AFTER_DATA = ((0, 0x08), (15, 0x18), (16, ACKNOWLEDGE_SLOT), (17, 0x1B), (18, 0x1A))  # check sum and on


def _of_bits(fields: tuple[tuple[int, int], ...]) -> NDArray[np.uint8]:
    """Return the code of every bit up to the first one of the last field."""
    return np.array(
        [[code for first, code in fields if first <= bit][-1] for bit in range(fields[-1][0] + 1)], np.uint8
    )


_CODES_STANDARD, _CODES_EXTENDED, _CODES_AFTER_DATA = map(_of_bits, (_STANDARD, _EXTENDED, _AFTER_DATA))


def error_frames(sent: Heard) -> FrameChunk:
    """Return the frames of `sent`, every destroyed attempt turned into its error frame."""
    rows = np.flatnonzero(sent.outcome == Outcome.DESTROYED)
    frames = sent.frames
    if not len(rows):
        return frames
    columns = {
        name: getattr(frames, name).copy()
        for name in ("can_id", "extended", "kind", "flags", "length", "payload")
    }
    kind, bit = sent.error[rows, 0], sent.error[rows, 1].astype(np.int64)
    data_bits = np.where(frames.kind[rows] == FrameKind.REMOTE, 0, 8 * frames.length[rows].astype(np.int64))
    columns["can_id"][rows] = _CLASS[kind]
    columns["payload"][rows] = 0
    columns["payload"][rows, TYPE_BYTE] = _TYPE[kind]
    columns["payload"][rows, LOCATION_BYTE] = np.where(
        kind == ErrorKind.ACKNOWLEDGE, ACKNOWLEDGE_SLOT, _locations(bit, frames.extended[rows], data_bits)
    )
    columns["extended"][rows] = False
    columns["kind"][rows] = FrameKind.ERROR
    columns["flags"][rows] = 0
    columns["length"][rows] = ERROR_LENGTH
    return replace(frames, **columns)


def _locations(
    bit: NDArray[np.int64], extended: NDArray[np.bool_], data_bits: NDArray[np.int64]
) -> NDArray[np.uint8]:
    """Return the code of the field in which each bit is."""
    end = np.where(extended, _EXTENDED[-1][0], _STANDARD[-1][0]) + data_bits
    before = _CODES_STANDARD.take(bit, mode="clip")
    if extended.any():
        before = np.where(extended, _CODES_EXTENDED.take(bit, mode="clip"), before)
    return np.where(bit < end, before, _CODES_AFTER_DATA.take(bit - end, mode="clip"))
