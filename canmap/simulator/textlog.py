"""Simulator: columns of frames to the lines of a SocketCAN text log.

Classic data frames are written as matrices of equally long lines, everything else line by line. Format: the
comment in the SocketCAN user-space header lib.h.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FrameKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.chunks import FrameChunk

ERROR_FLAG = 0x20000000  # of the identifier word; `FrameChunk.can_id` leaves it out
US_PER_S = 1_000_000
STANDARD_DIGITS, EXTENDED_DIGITS = 3, 8
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_PAIRS = np.stack([_HEX[np.arange(256) >> 4], _HEX[np.arange(256) & 0xF]], axis=1)
_TENS = 10 ** np.arange(19, dtype=np.int64)


def text_lines(chunk: FrameChunk) -> bytes:
    """Return `chunk` as lines of a SocketCAN text log; stamps are cut to whole microseconds."""
    t_us = chunk.t_ns // 1000
    seconds_digits = np.maximum(np.searchsorted(_TENS, t_us // US_PER_S, side="right"), 1)
    plain = (chunk.kind == FrameKind.DATA) & (chunk.flags & FLAG_FD == 0) & (t_us >= 0)
    form = seconds_digits << 32 | chunk.channel.astype(np.int64) << 16 | chunk.extended << 8 | chunk.length
    form[~plain] = -1
    lines: list[tuple[NDArray[np.intp], NDArray[np.uint8]]] = []
    size = np.zeros(len(chunk) + 1, np.int64)
    for one in np.unique(form).tolist():
        rows = np.flatnonzero(form == one)
        if one < 0:
            parts = [(rows[n : n + 1], _as_row(text_line(chunk, row))) for n, row in enumerate(rows.tolist())]
        else:
            parts = [(rows, _plain_lines(chunk.take(rows), one >> 32))]
        for at, matrix in parts:
            size[at + 1] = matrix.shape[1]
        lines += parts
    begin = np.cumsum(size)
    text = np.empty(begin[-1], np.uint8)
    for rows, matrix in lines:
        text[begin[rows, np.newaxis] + np.arange(matrix.shape[1])] = matrix
    return text.tobytes()


def _plain_lines(frames: FrameChunk, seconds_digits: int) -> NDArray[np.uint8]:
    """Return the lines of classic data frames that are all of one form, uint8[n, length of a line]."""
    t_us = frames.t_ns // 1000
    digits = EXTENDED_DIGITS if frames.extended[0] else STANDARD_DIGITS
    length = int(frames.length[0])
    channel = frames.channels[frames.channel[0]].encode()
    head = b"(" + b"0" * seconds_digits + b".000000) " + channel + b" "
    line = np.frombuffer(head + b"0" * digits + b"#" + b"00" * length + b"\n", np.uint8)
    matrix = np.tile(line, (len(frames), 1))
    _put_decimal(matrix[:, 1 : 1 + seconds_digits], t_us // US_PER_S)
    _put_decimal(matrix[:, 2 + seconds_digits : 8 + seconds_digits], t_us % US_PER_S)
    for place in range(digits):
        shift = np.uint32(4 * (digits - 1 - place))
        matrix[:, len(head) + place] = _HEX[frames.can_id >> shift & np.uint32(0xF)]
    data = len(head) + digits + 1
    matrix[:, data : data + 2 * length] = _PAIRS[frames.payload[:, :length]].reshape(len(frames), -1)
    return matrix


def _as_row(line: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(line, np.uint8)[np.newaxis]


def _put_decimal(digits: NDArray[np.uint8], numbers: NDArray[np.int64]) -> None:
    for place in range(digits.shape[1] - 1, -1, -1):
        numbers, digit = np.divmod(numbers, 10)
        digits[:, place] = digit + ord("0")


def text_line(chunk: FrameChunk, row: int) -> bytes:
    """Return one frame of `chunk` as a line of a SocketCAN text log."""
    t_us = int(chunk.t_ns[row]) // 1000
    can_id, kind, flags = int(chunk.can_id[row]), chunk.kind[row], int(chunk.flags[row])
    digits = EXTENDED_DIGITS if chunk.extended[row] else STANDARD_DIGITS
    length = int(chunk.length[row])
    data = chunk.payload[row, :length].tobytes().hex().upper()
    if kind == FrameKind.ERROR:
        frame = f"{can_id | ERROR_FLAG:08X}#{data}"
    elif kind == FrameKind.REMOTE:
        frame = f"{can_id:0{digits}X}#R{length or ''}"
    elif flags & FLAG_FD:
        mark = bool(flags & FLAG_BIT_RATE_SWITCH) | bool(flags & FLAG_ERROR_PASSIVE) << 1
        frame = f"{can_id:0{digits}X}##{mark:X}{data}"
    else:
        frame = f"{can_id:0{digits}X}#{data}"
    channel = chunk.channels[chunk.channel[row]]
    return f"({t_us // US_PER_S}.{t_us % US_PER_S:06d}) {channel} {frame}\n".encode()
