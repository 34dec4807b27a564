"""Outputs: chunks of frames to SocketCAN text, exactly.

The form is that of the SocketCAN user-space header lib.h; stamps have nine digits where six do not tell them.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from canmap.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.chunks import FrameChunk

NS = 1_000_000_000
ERROR_BIT = 0x20000000


def write_text(path: str, chunks: Iterable[FrameChunk]) -> None:
    """Write frames as text, a line each.

    Raises:
        OSError: The file cannot be written.
    """
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        for chunk in chunks:
            file.writelines(_line(chunk, i) for i in range(len(chunk)))


def _line(chunk: FrameChunk, i: int) -> str:
    seconds, fraction = divmod(int(chunk.t_ns[i]), NS)
    stamp = f"{seconds}.{fraction:09}" if fraction % 1000 else f"{seconds}.{fraction // 1000:06}"
    flags = int(chunk.flags[i])
    direction = " R" if flags & FLAG_RECEIVED else " T" if flags & FLAG_SENT else ""
    return f"({stamp}) {chunk.channels[chunk.channel[i]]} {_frame(chunk, i, flags)}{direction}\n"


def _frame(chunk: FrameChunk, i: int, flags: int) -> str:
    kind, can_id, length = int(chunk.kind[i]), int(chunk.can_id[i]), int(chunk.length[i])
    data = chunk.payload[i, :length].tobytes().hex().upper()
    if kind == FrameKind.ERROR:
        return f"{can_id | ERROR_BIT:08X}#{data:0<16}"
    identifier = f"{can_id:08X}" if chunk.extended[i] else f"{can_id:03X}"
    if kind == FrameKind.REMOTE:
        return f"{identifier}#R{length or ''}"
    if flags & FLAG_FD:
        digit = (1 if flags & FLAG_BIT_RATE_SWITCH else 0) | (2 if flags & FLAG_ERROR_PASSIVE else 0)
        return f"{identifier}##{digit}{data}"
    return f"{identifier}#{data}"
