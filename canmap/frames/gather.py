"""Frames, binary formats: objects at known places of a buffer to columns, and the impossible ones among them.

In: bytes, and where the objects begin. Out: their bytes as a structured array; a chunk of the frames that can
have been on a bus, with a bad line for each of the others.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.chunks import CLASSIC_WIDTH, FD_WIDTH, FLAG_FD, BadLine, FrameChunk, FrameKind
from canmap.frames.batches import checked
from canmap.frames.row import Row, UnreadableError
from canmap.frames.textblock import MOST_BAD_LINES
from canmap.frames.textline import EXTENDED_LIMIT, FD_LENGTHS, STANDARD_LIMIT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

AT_ONCE = 65_536  # objects; keeps the index that picks them small
LENGTH_OF_CODE = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], np.uint8)  # ISO 11898-1
_IS_FD_LENGTH = np.isin(np.arange(256), sorted(FD_LENGTHS))


def records_at(data: bytes, starts: Sequence[int] | NDArray[np.int64], layout: np.dtype[Any]) -> NDArray[Any]:
    """Return the structures of `layout` that begin at the `starts`; zero past the end of `data`."""
    width = layout.itemsize
    padded = np.frombuffer(data + bytes(width), np.uint8)
    places = np.asarray(starts, np.int64)
    rows = np.empty((len(places), width), np.uint8)
    span = np.arange(width)
    for first in range(0, len(places), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        rows[some] = padded[places[some, None] + span]
    return rows.view(layout)[:, 0]


def payload_within(data: NDArray[np.uint8], length: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return payload bytes uint8[n, 8 or more] with zeros beyond `length`, 8 wide where that is enough."""
    width = CLASSIC_WIDTH if not (length > CLASSIC_WIDTH).any() else FD_WIDTH
    payload = np.zeros((len(data), width), np.uint8)
    kept = min(width, data.shape[1])
    np.copyto(payload[:, :kept], data[:, :kept], where=np.arange(kept) < length[:, None])
    return payload


def sifted(chunk: FrameChunk, capture: str, bad: Sequence[tuple[int, str]] = ()) -> FrameChunk:
    """Return the possible frames of a chunk, and bad lines for the impossible ones.

    Args:
        chunk: Frames in the order of their line numbers.
        capture: Name of the capture.
        bad: Number and reason of objects that did not become frames at all.
    """
    wrong = _impossible(chunk)
    if not bad and not wrong.any():
        return chunk
    listed = [
        *bad,
        *((int(chunk.line[i]), _reason(chunk, int(i))) for i in np.flatnonzero(wrong)[:MOST_BAD_LINES]),
    ]
    listed.sort(key=lambda pair: pair[0])
    good = chunk.take(~wrong)
    return replace(
        good,
        bad=tuple(
            BadLine(int(np.searchsorted(good.line, line)), capture, line, reason)
            for line, reason in listed[:MOST_BAD_LINES]
        ),
        bad_count=len(bad) + int(np.count_nonzero(wrong)),
    )


def _impossible(chunk: FrameChunk) -> NDArray[np.bool_]:
    """Return which frames cannot have been on a bus, bool[n]; `checked` says the same of one row."""
    is_fd = (chunk.flags & FLAG_FD) != 0
    wide_id = chunk.extended | (chunk.kind == FrameKind.ERROR)
    wrong: NDArray[np.bool_] = chunk.can_id > np.where(wide_id, EXTENDED_LIMIT, STANDARD_LIMIT)
    wrong |= ~is_fd & (chunk.length > CLASSIC_WIDTH)
    wrong |= is_fd & ~_IS_FD_LENGTH[chunk.length]
    wrong |= is_fd & (chunk.kind == FrameKind.REMOTE)
    return wrong


def _reason(chunk: FrameChunk, i: int) -> str:
    length = int(chunk.length[i])
    row = Row(
        0, "", int(chunk.can_id[i]), bool(chunk.extended[i]), FrameKind(int(chunk.kind[i])),
        int(chunk.flags[i]), length, bytes(length),
    )  # fmt: skip
    try:
        checked(row)
    except UnreadableError as reason:
        return str(reason)
    return "such a frame cannot be on a bus"
