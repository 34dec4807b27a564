"""Outputs: chunks of frames to SocketCAN text, exactly.

The form is that of the SocketCAN user-space header lib.h; stamps have nine digits where six do not tell them.
Data and error frames are written as matrices of equally long lines, all others line by line.
"""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import ERROR_BIT

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

NS = 1_000_000_000
STANDARD_DIGITS, EXTENDED_DIGITS = 3, 8
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_PAIRS = np.stack([_HEX[np.arange(256) >> 4], _HEX[np.arange(256) & 0xF]], axis=1)
_TENS = 10 ** np.arange(1, 11, dtype=np.int64)


def write_text(file: IO[bytes], chunks: Iterable[FrameChunk]) -> None:
    """Write frames as text, a line each.

    Raises:
        OSError: The file cannot be written.
    """
    for chunk in chunks:
        file.write(text_lines(chunk))


def text_lines(chunk: FrameChunk) -> bytes:
    """Return frames as lines."""
    alike, alone = _by_form(chunk)
    parts = [(rows, _lines_alike(chunk.take(rows))) for rows in alike]
    parts += [(alone[i : i + 1], _as_row(text_line(chunk, row))) for i, row in enumerate(alone.tolist())]
    size = np.zeros(len(chunk) + 1, np.int64)
    for rows, lines in parts:
        size[rows + 1] = lines.shape[1]
    begin = np.cumsum(size)
    text = np.empty(begin[-1], np.uint8)
    for rows, lines in parts:
        text[begin[rows, np.newaxis] + np.arange(lines.shape[1])] = lines
    return text.tobytes()


def text_line(chunk: FrameChunk, row: int) -> bytes:
    """Return one frame as a line."""
    seconds, fraction = divmod(int(chunk.t_ns[row]), NS)
    stamp = f"{seconds}.{fraction:09}" if fraction % 1000 else f"{seconds}.{fraction // 1000:06}"
    channel = chunk.channels[chunk.channel[row]]
    return f"({stamp}) {channel} {_frame(chunk, row)}{_direction(int(chunk.flags[row]))}\n".encode()


def _frame(chunk: FrameChunk, row: int) -> str:
    kind, can_id, length = int(chunk.kind[row]), int(chunk.can_id[row]), int(chunk.length[row])
    data = chunk.payload[row, :length].tobytes().hex().upper()
    if kind == FrameKind.ERROR:
        return f"{can_id | ERROR_BIT:08X}#{data:0<16}"
    identifier = f"{can_id:0{EXTENDED_DIGITS if chunk.extended[row] else STANDARD_DIGITS}X}"
    if kind == FrameKind.REMOTE:
        return f"{identifier}#R{length or ''}"
    return f"{identifier}#{_mark(int(chunk.flags[row]))}{data}"


def _mark(flags: int) -> str:
    """Return what parts the identifier of an FD frame from its data, beside the # of any."""
    if not flags & FLAG_FD:
        return ""
    return f"#{(1 if flags & FLAG_BIT_RATE_SWITCH else 0) | (2 if flags & FLAG_ERROR_PASSIVE else 0)}"


def _direction(flags: int) -> str:
    return " R" if flags & FLAG_RECEIVED else " T" if flags & FLAG_SENT else ""


def _by_form(chunk: FrameChunk) -> tuple[list[NDArray[np.intp]], NDArray[np.intp]]:
    """Return the rows of frames whose lines differ only in their digits, and the rows of all others."""
    by_column = (chunk.kind != FrameKind.REMOTE) & (chunk.t_ns >= 0)
    form = np.searchsorted(_TENS, chunk.t_ns // NS, side="right").astype(np.int64)  # digits of the seconds
    form = form << 1 | (chunk.t_ns % 1000 != 0)
    for column in (chunk.channel, chunk.flags, chunk.length, chunk.kind):
        form = form << 8 | column
    form = form << 1 | chunk.extended
    form[~by_column] = -1
    forms = sorted(set(form[by_column].tolist()))  # `unique` loads NumPy's masked arrays first
    return [np.flatnonzero(form == one) for one in forms], np.flatnonzero(~by_column)


def _lines_alike(frames: FrameChunk) -> NDArray[np.uint8]:
    """Return the lines of frames of one form, uint8[n, length of a line]."""
    first, length = text_line(frames, 0), int(frames.length[0])
    is_error = frames.kind[0] == FrameKind.ERROR
    can_id = frames.can_id | np.uint32(ERROR_BIT * is_error)
    lines = np.tile(np.frombuffer(first, np.uint8), (len(frames), 1))
    dot, end = first.index(b"."), first.index(b")")
    _put_decimal(lines[:, 1:dot], frames.t_ns // NS)
    _put_decimal(lines[:, dot + 1 : end], frames.t_ns % NS // 10 ** (9 - (end - dot - 1)))
    identifier = end + 3 + len(frames.channels[frames.channel[0]].encode())
    digits = EXTENDED_DIGITS if frames.extended[0] or is_error else STANDARD_DIGITS
    for place in range(digits):
        shift = np.uint32(4 * (digits - 1 - place))
        lines[:, identifier + place] = _HEX[can_id >> shift & np.uint32(0xF)]
    data = identifier + digits + 1 + (0 if is_error else len(_mark(int(frames.flags[0]))))
    lines[:, data : data + 2 * length] = _PAIRS[frames.payload[:, :length]].reshape(len(frames), -1)
    return lines


def _as_row(line: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(line, np.uint8)[np.newaxis]


def _put_decimal(digits: NDArray[np.uint8], numbers: NDArray[np.int64]) -> None:
    for place in range(digits.shape[1] - 1, -1, -1):
        numbers, digit = np.divmod(numbers, 10)
        digits[:, place] = digit + ord("0")
