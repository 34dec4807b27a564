"""Outputs: chunks of frames to SocketCAN text, exactly.

The form is that of the SocketCAN user-space header lib.h; stamps have nine digits where six do not tell them.
Data and error frames are written as columns of characters, all others line by line.
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
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

NS = 1_000_000_000
STANDARD_DIGITS, EXTENDED_DIGITS = 3, 8
ERROR_BYTES = 8
NOTHING = b"\xff"  # no UTF-8 has it: where a line has nothing while others have something
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
# Two characters at once, as one number: of a byte, and of two decimal digits.
_OF_BYTE = np.stack([_HEX[np.arange(256) >> 4], _HEX[np.arange(256) & 0xF]], axis=1).view(np.uint16)[:, 0]
_OF_HUNDRED = np.stack([_HEX[np.arange(100) // 10], _HEX[np.arange(100) % 10]], axis=1).view(np.uint16)[:, 0]
_NOTHING, _ZEROS = np.frombuffer(2 * NOTHING + b"00", np.uint16)


def write_text(file: IO[bytes], chunks: Iterable[FrameChunk]) -> None:
    """Write frames as text, a line each.

    Raises:
        OSError: The file cannot be written.
    """
    for chunk in chunks:
        file.write(text_lines(chunk))


def text_lines(chunk: FrameChunk) -> bytes:
    """Return frames as lines."""
    by_column = (chunk.kind != FrameKind.REMOTE) & (chunk.t_ns >= 0)
    if by_column.all():
        return _side_by_side(_columns(chunk)) if len(chunk) else b""
    lines = np.empty(len(chunk), object)
    lines[by_column] = text_lines(chunk.take(by_column)).splitlines(keepends=True)
    lines[~by_column] = [text_line(chunk, row) for row in np.flatnonzero(~by_column).tolist()]
    return b"".join(lines.tolist())


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


def _columns(frames: FrameChunk) -> list[NDArray[np.uint8]]:
    """Return the lines of data and error frames, cut in columns: uint8[n, width], or [1, width] of all."""
    is_error = frames.kind == FrameKind.ERROR
    used = set(frames.channel.tolist())
    names = [f" {name} ".encode() if place in used else b"" for place, name in enumerate(frames.channels)]
    width = max(map(len, names))
    channels = np.frombuffer(b"".join(name.ljust(width, NOTHING) for name in names), np.uint8)
    return [
        *_stamps(frames.t_ns),
        _row(b")"),
        channels.reshape(-1, width)[frames.channel],
        _identifiers(frames.can_id | np.uint32(ERROR_BIT) * is_error, frames.extended | is_error),
        _row(b"#"),
        _by_flags(np.where(is_error, 0, frames.flags), _mark),
        _data(frames.payload, frames.length.astype(np.int64), is_error),
        _by_flags(frames.flags, _direction),
        _row(b"\n"),
    ]


def _side_by_side(columns: list[NDArray[np.uint8]]) -> bytes:
    """Return the columns as lines, without what a line has not."""
    columns = [column for column in columns if column.shape[1]]
    lines = np.empty((max(map(len, columns)), sum(column.shape[1] for column in columns)), np.uint8)
    begin = 0
    for column in columns:
        width = column.shape[1]
        whole = f"V{width}"  # as one thing: several times as fast as byte by byte
        lines[:, begin : begin + width].view(whole)[:] = column.view(whole)
        begin += width
    return lines.tobytes().translate(None, NOTHING)


def _row(text: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(text, np.uint8)[np.newaxis]


def _stamps(t_ns: NDArray[np.int64]) -> list[NDArray[np.uint8]]:
    """Return the stamps as columns, with the bracket before them."""
    numbers = t_ns // 1000
    fine = numbers * 1000 != t_ns
    numbers, places = (t_ns, 9) if fine.any() else (numbers, 6)
    least, most = (str(each).zfill(places + 1) for each in (int(numbers.min()), int(numbers.max())))
    pairs = zip(least.zfill(len(most)), most, strict=True)
    same = most[: next((place for place, (one, other) in enumerate(pairs) if one != other), None)]
    if places == 9:
        same = same[:-3] if len(same) > len(most) - 3 else same
    digits = _decimal(numbers, len(most) - len(same))
    point = len(most) - places
    if places == 9:
        digits[~fine, -3:] = NOTHING[0]
    for place in range(0 if same else point - 1):  # no zero before the first digit
        digits[numbers < 10 ** (len(most) - 1 - place), place] = NOTHING[0]
    before = max(0, point - len(same))
    return [
        _row(f"({same[:point]}".encode()),
        digits[:, :before],
        _row(f".{same[point:]}".encode()),
        digits[:, before:],
    ]


def _decimal(numbers: NDArray[np.int64], digits: int) -> NDArray[np.uint8]:
    """Return the last decimal digits of numbers, uint8[n, digits]."""
    pairs = np.empty((len(numbers), (digits + 1) // 2), np.uint16)
    for place in range(pairs.shape[1] - 1, -1, -1):
        rest = numbers // 100  # `divmod` takes several times as long
        pairs[:, place] = _OF_HUNDRED[numbers - 100 * rest]
        numbers = rest
    return pairs.view(np.uint8)[:, digits % 2 :]


def _identifiers(can_id: NDArray[np.uint32], is_long: NDArray[np.bool_]) -> NDArray[np.uint8]:
    digits = _OF_BYTE[can_id.astype(">u4").view(np.uint8).reshape(-1, 4)].view(np.uint8)
    more = EXTENDED_DIGITS - STANDARD_DIGITS
    if not is_long.any():
        return digits[:, more:]
    digits[~is_long, :more] = NOTHING[0]
    return digits


def _by_flags(flags: NDArray[np.uint8], told: Callable[[int], str]) -> NDArray[np.uint8]:
    """Return what flags are told by, which is two characters or nothing."""
    if not flags.any():
        return np.empty((len(flags), 0), np.uint8)
    texts = np.full((256, 2), NOTHING[0], np.uint8)
    for each in np.flatnonzero(np.bincount(flags)).tolist():
        if text := told(each):
            texts[each] = tuple(text.encode())
    return texts[flags]


def _data(
    payload: NDArray[np.uint8], length: NDArray[np.int64], is_error: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """Return payloads in hexadecimal digits; those of error frames are filled up with zeros."""
    shown = np.where(is_error, np.maximum(length, ERROR_BYTES), length)
    width = int(shown.max())
    pairs = _OF_BYTE[payload[:, :width]]
    if (length < width).any():
        place = np.arange(width)
        if is_error.any():
            pairs[place >= length[:, np.newaxis]] = _ZEROS
        pairs[place >= shown[:, np.newaxis]] = _NOTHING
    return pairs.view(np.uint8)
