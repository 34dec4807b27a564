"""Frames, binary formats: objects at known places of a buffer to columns, and the impossible ones among them.

In: bytes, and where the objects begin. Out: their bytes as a structured array; a chunk of the frames that can
have been on a bus, with a bad line for each of the others.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.frames.batches import checked
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_LENGTHS,
    FD_WIDTH,
    FLAG_FD,
    BadLine,
    FrameChunk,
    FrameKind,
    widen,
)
from canmap.frames.row import EXTENDED_LIMIT, STANDARD_LIMIT, Row, UnreadableError
from canmap.frames.source import MOST_BAD_LINES
from canmap.frames.unread import as_unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from canmap.frames.unread import Unread

LENGTH_OF_CODE = np.array(FD_LENGTHS, np.uint8)
_IS_FD_LENGTH = np.isin(np.arange(256), FD_LENGTHS)
# By length: ones in the bytes of a payload that are within it, uint64[256, 8].
_WITHIN = np.where(np.arange(FD_WIDTH) < np.arange(256)[:, None], 255, 0).astype(np.uint8).view(np.uint64)


class BadObjects:
    """Objects of one buffer that are no frames.

    Attributes:
        count: How many.
        listed: Number and reason of them, at least of the first `MOST_BAD_LINES` in the order of numbers.
    """

    def __init__(self) -> None:
        self.count = 0
        self.listed: list[tuple[int, Unread]] = []
        self._alone = 0

    def add(self, number: int, why: str | Unread) -> None:
        """Note one object; their numbers, too, ascend."""
        self.count += 1
        self._alone += 1
        if self._alone <= MOST_BAD_LINES:
            self.listed.append((number, as_unread(why)))

    def add_all(self, numbers: NDArray[np.int64], reason: str | Callable[[int], str]) -> None:
        """Note objects, their numbers ascending; the reason may depend on which of them it is."""
        self.count += len(numbers)
        tell = reason if callable(reason) else lambda _: reason
        self.listed += [(n, as_unread(tell(i))) for i, n in enumerate(numbers[:MOST_BAD_LINES].tolist())]


def followed(following: NDArray[np.int64], first: int = 0) -> NDArray[np.int64]:
    """Return the places from `first` on of which each tells where the next one is.

    Args:
        following: int64[n], the place after each of the places 0 to n - 1: always a later one, and from n on
            the chain ends.
        first: The place where the chain begins.
    """

    def places() -> Iterator[int]:
        tells, end, place = following.data, len(following), first
        while place < end:
            yield place
            place = tells[place]

    return np.fromiter(places(), np.int64)


def records_at(data: bytes, starts: NDArray[np.int64], layout: np.dtype[Any]) -> NDArray[Any]:
    """Return the structures of `layout` that begin at the `starts`; zero past the end of `data`."""
    if not len(starts):
        return np.zeros(0, layout)
    width = layout.itemsize
    if int(starts.max()) + width > len(data):
        data += bytes(width)
    at_any_place = np.ndarray((len(data) - width + 1,), f"V{width}", data, strides=(1,))
    return at_any_place[starts].view(layout)


def payload_within(data: NDArray[np.uint8], length: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return payload bytes uint8[n, 8 or more] with zeros beyond `length`, 8 wide where that is enough."""
    width = CLASSIC_WIDTH if not (length > CLASSIC_WIDTH).any() else FD_WIDTH
    words = _WITHIN[:, : width // 8][length]
    words &= widen(data, max(width, data.shape[1]))[:, :width].view(np.uint64)
    return words.view(np.uint8)


def sifted(chunk: FrameChunk, capture: str, bad: BadObjects | None = None) -> FrameChunk:
    """Return the possible frames of a chunk, and bad lines for the impossible ones.

    Args:
        chunk: Frames in the order of their line numbers.
        capture: Name of the capture.
        bad: Objects that did not become frames at all; the impossible ones are added.
    """
    bad = bad or BadObjects()
    wrong = np.flatnonzero(_impossible(chunk))
    if not bad.count and not len(wrong):
        return chunk
    bad.add_all(chunk.line[wrong], lambda i: _reason(chunk, int(wrong[i])))
    listed = sorted(bad.listed, key=lambda pair: pair[0])
    good = chunk.take(np.delete(np.arange(len(chunk)), wrong)) if len(wrong) else chunk
    return replace(
        good,
        bad=tuple(
            BadLine(int(np.searchsorted(good.line, line)), capture, line, why)
            for line, why in listed[:MOST_BAD_LINES]
        ),
        bad_count=bad.count,
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
