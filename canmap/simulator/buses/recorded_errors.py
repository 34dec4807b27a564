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
    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.traffic import Sent

PROTOCOL, ACKNOWLEDGE, BUS_ERROR = 0x008, 0x020, 0x080
_CLASS = {
    ErrorKind.BIT: PROTOCOL | BUS_ERROR,
    ErrorKind.STUFF: PROTOCOL | BUS_ERROR,
    ErrorKind.ACKNOWLEDGE: ACKNOWLEDGE | BUS_ERROR,
}
_TYPE = {ErrorKind.BIT: 0x01, ErrorKind.STUFF: 0x04, ErrorKind.ACKNOWLEDGE: 0x00}
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


def error_frames(sent: Sent) -> FrameChunk:
    """Return the frames of `sent`, every destroyed attempt turned into its error frame."""
    rows = np.flatnonzero(sent.outcome == Outcome.DESTROYED)
    frames = sent.frames
    if not len(rows):
        return frames
    columns = {
        name: getattr(frames, name).copy()
        for name in ("can_id", "extended", "kind", "flags", "length", "payload")
    }
    for row in rows.tolist():
        kind, bit = ErrorKind(int(sent.error[row, 0])), int(sent.error[row, 1])
        data_bits = 0 if frames.kind[row] == FrameKind.REMOTE else 8 * int(frames.length[row])
        place = _location(bit, bool(frames.extended[row]), data_bits)
        columns["can_id"][row] = _CLASS[kind]
        columns["payload"][row] = 0
        columns["payload"][row, TYPE_BYTE] = _TYPE[kind]
        columns["payload"][row, LOCATION_BYTE] = ACKNOWLEDGE_SLOT if kind is ErrorKind.ACKNOWLEDGE else place
    columns["extended"][rows] = False
    columns["kind"][rows] = FrameKind.ERROR
    columns["flags"][rows] = 0
    columns["length"][rows] = ERROR_LENGTH
    return replace(frames, **columns)


def _location(bit: int, extended: bool, data_bits: int) -> int:
    fields = _EXTENDED if extended else _STANDARD
    end = fields[-1][0] + data_bits
    table = fields if bit < end else tuple((first + end, code) for first, code in _AFTER_DATA)
    return max((first, code) for first, code in table if first <= bit)[1]
