"""Frames, SocketCAN text: one block of whole lines to a chunk, most of it by column.

In: a few MiB of text, with the number of its first line. Out: a `FrameChunk` in line order. A good line is
the template for all others of its form (`rows`); what differs from it gets another template, and what is
rare, damaged or left over goes to `line`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    BadLine,
    FrameChunk,
    FrameKind,
    empty_chunk,
    widen,
)
from canmap.frames.row import Row
from canmap.frames.source import MOST_BAD_LINES, MOST_CHANNELS
from canmap.frames.text.line import parse_line
from canmap.frames.text.rows import TOO_LONG, RowColumns, Template, decode, template_of
from canmap.frames.unread import TOO_SLOW, as_unread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.unread import Unread

SLACK = 2 * TOO_LONG  # bytes past the text that `Block.data` must have, so that loads may run over its end
MOST_TEMPLATES = 64  # per block
MOST_RARE_TEMPLATES = 4  # of them may be of a form that few lines have, as the first of a block may be
FEWEST_ROWS = 12  # fewer lines are read sooner one by one
ROWS_AT_ONCE = 64_000  # fewer stay in the processor's cache; with more, two threads meet less often
MOST_ALONE = 20_000  # lines of a block read one by one, unless one in ten holds a frame
TEMPLATE_TRIALS = 8  # lines tried until one is good enough to be a template
LINE_FEED, CARRIAGE_RETURN = 10, 13


@dataclass(frozen=True, slots=True)
class TextBlock:
    """Whole lines out of a capture.

    Attributes:
        capture: Name of the capture, as the user gave it.
        data: uint8[size + SLACK or more], the text first.
        size: Bytes of text; the last is a line feed, unless there are none.
        first_line: Number of the first line, from 1.
        damage: Why nothing can be read after this block, None if that is not so.
        most_alone: Lines that may be read one by one; only of a packed file are they ever fewer than all.
    """

    capture: str
    data: NDArray[np.uint8]
    size: int
    first_line: int
    damage: Unread | None = None
    most_alone: int = 1 << 62


def parse_block(block: TextBlock) -> FrameChunk:
    """Return the frames of a block in line order, and its bad lines."""
    lines = _Lines(block)
    left = lines.inked()
    rare = 0
    for _ in range(MOST_TEMPLATES):
        before = len(left)
        if before < FEWEST_ROWS or rare == MOST_RARE_TEMPLATES:
            break
        left = lines.read_alike(left)
        rare += before - len(left) < before // 32
    lines.read_one_by_one(left)
    return lines.chunk()


class _Lines:
    """The lines of a block, and columns with one row for each, filled in any order.

    Attributes:
        starts, ends: int64[n], where each line begins, and its line feed.
        lengths: uint8[n], TOO_LONG where longer.
        read: bool[n], lines that are frames.
        bad: Index and reason of the first lines that cannot be read; `bad_count` counts all.
    """

    def __init__(self, block: TextBlock) -> None:
        self.block = block
        self.text = block.data
        self.ends = np.flatnonzero(self.text[: block.size] == LINE_FEED)
        self.count = len(self.ends)
        self.starts = np.zeros_like(self.ends)
        np.add(self.ends[:-1], 1, out=self.starts[1:])
        self.lengths = np.minimum(self.ends - self.starts, TOO_LONG).astype(np.uint8)
        self.read = np.zeros(self.count, np.bool_)
        self.bad: list[tuple[int, Unread]] = []
        self.bad_count = 0
        self.channels: dict[str, int] = {}
        self.columns = empty_chunk(frames=self.count)
        self.payload = self.columns.payload

    def inked(self) -> NDArray[np.intp]:
        """Return the lines that are not empty."""
        short = np.flatnonzero(self.lengths < 2)
        if not len(short):
            return np.arange(self.count)
        empty = (self.lengths[short] == 0) | (self.text[self.starts[short]] == CARRIAGE_RETURN)
        return np.delete(np.arange(self.count), short[empty])

    def read_alike(self, lines: NDArray[np.intp]) -> NDArray[np.intp]:
        """Read those of the `lines` (ascending) that have the form of one of them; return the others."""
        template = self._template(lines)
        if template is None:
            return lines
        others: list[NDArray[np.intp]] = []
        for start in range(0, len(lines), ROWS_AT_ONCE):
            some = lines[start : start + ROWS_AT_ONCE]
            rows = _slice_if_whole(some)
            found = decode(self.text, self.starts[rows], self.lengths[rows], template)
            numbers = [self._channel_number(name) for name in found.channels]
            if None in numbers:  # too many: one by one, so that each gets its reason
                return np.concatenate([*others, lines[start:]])
            self._store(some, template, found, np.array(numbers, np.uint8))
            others.append(some[~found.right])
        return np.concatenate(others)

    def _line(self, index: int) -> bytes:
        return self.text[self.starts[index] : self.ends[index]].tobytes()

    def _template(self, lines: NDArray[np.intp]) -> Template | None:
        """Return the template that the first suitable one of a few of the lines makes."""
        for index in lines[:: max(1, len(lines) // TEMPLATE_TRIALS)]:
            line = self._line(index)
            frame = parse_line(line)
            template = template_of(line, frame) if isinstance(frame, Row) else None
            if template is not None:
                return template
        return None

    def _store(
        self, lines: NDArray[np.intp], template: Template, found: RowColumns, channels: NDArray[np.uint8]
    ) -> None:
        whole = bool(found.right.all())
        rows = slice(None) if whole else found.right
        at = _slice_if_whole(lines) if whole else lines[rows]
        columns, flags = self.columns, template.frame.flags
        is_remote = template.frame.kind == FrameKind.REMOTE
        self.read[at] = True
        columns.t_ns[at] = found.t_ns[rows]
        columns.can_id[at] = found.can_id[rows]
        columns.length[at] = template.frame.length if is_remote else found.length[rows]
        if channels.any():
            columns.channel[at] = channels[found.channel[rows]]
        if template.form.identifier.size == 8:
            columns.extended[at] = True if found.error is None else ~found.error[rows]
        if flags:
            columns.flags[at] = flags
        if is_remote:
            columns.kind[at] = FrameKind.REMOTE
        elif found.error is not None:
            columns.kind[at] = found.error[rows] * np.uint8(FrameKind.ERROR)
        self._store_payload(at, found.payload[rows])

    def _store_payload(self, at: slice | NDArray[np.intp], payload: NDArray[np.uint8]) -> None:
        width = payload.shape[1]
        if width == FD_WIDTH and payload[:, CLASSIC_WIDTH:].any():
            self.payload = widen(self.payload, FD_WIDTH)
        width = min(width, self.payload.shape[1])
        # Whole words are stored sooner than rows of bytes.
        self.payload[:, :width].view(np.uint64)[at] = payload[:, :width].view(np.uint64)

    def _channel_number(self, name: str) -> int | None:
        """Return the number of a channel, or None if there are too many."""
        if name not in self.channels and len(self.channels) == MOST_CHANNELS:
            return None
        return self.channels.setdefault(name, len(self.channels))

    def read_one_by_one(self, lines: NDArray[np.intp]) -> None:
        """Read the `lines`, and note those that cannot be read.

        Where hardly one holds a frame, the others are passed over: what is no log is not worth the time.
        """
        lines, left = lines[: self.block.most_alone], lines[self.block.most_alone :]
        for first in range(0, len(lines), MOST_ALONE):
            if first > 10 * int(np.count_nonzero(self.read)):
                self._note_bad(int(lines[first]), "it comes after too many lines without a frame")
                self.bad_count += len(lines) + len(left) - first - 1
                return
            for index in lines[first : first + MOST_ALONE].tolist():
                frame = parse_line(self._line(index))
                if isinstance(frame, Row):
                    frame = self._store_one(index, frame)
                if isinstance(frame, str):
                    self._note_bad(index, frame)
        if len(left):
            self._note_bad(int(left[0]), TOO_SLOW)
            self.bad_count += len(left) - 1

    def _note_bad(self, index: int, why: str | Unread) -> None:
        self.bad_count += 1
        if len(self.bad) < MOST_BAD_LINES:
            self.bad.append((index, as_unread(why)))

    def _store_one(self, index: int, frame: Row) -> str | None:
        """Store one frame; return the reason if that cannot be done."""
        number = self._channel_number(frame.channel)
        if number is None:
            return f"there are more than {MOST_CHANNELS} channel names in this part of the capture"
        columns = self.columns
        columns.t_ns[index] = frame.t_ns
        columns.channel[index] = number
        columns.can_id[index] = frame.can_id
        columns.extended[index] = frame.extended
        columns.kind[index] = frame.kind
        columns.flags[index] = frame.flags
        columns.length[index] = frame.length
        if len(frame.payload) > self.payload.shape[1]:
            self.payload = widen(self.payload, FD_WIDTH)
        self.payload[index, : len(frame.payload)] = np.frombuffer(frame.payload, np.uint8)
        self.read[index] = True
        return None

    def chunk(self) -> FrameChunk:
        """Return the lines that are frames, and the bad ones."""
        first = self.block.first_line
        bad, bad_count = list(self.bad), self.bad_count
        if self.block.damage:
            bad.append((len(self.ends), self.block.damage))
            bad_count += 1
        columns = replace(
            self.columns,
            channels=tuple(self.channels),
            payload=self.payload,
            line=np.arange(first, first + len(self.ends), dtype=np.int64),
        )
        before = np.zeros(len(self.ends) + 1, np.int64)
        if not self.read.all():
            columns = columns.take(self.read)
        if bad:
            np.cumsum(self.read, out=before[1:])
        return replace(
            columns,
            bad=tuple(
                BadLine(int(before[index]), self.block.capture, first + index, why) for index, why in bad
            ),
            bad_count=bad_count,
        )


def _slice_if_whole(lines: NDArray[np.intp]) -> slice | NDArray[np.intp]:
    """Return the ascending `lines` as a slice, which is read and written sooner, if none is left out."""
    first, last = int(lines[0]), int(lines[-1])
    return slice(first, last + 1) if last - first + 1 == len(lines) else lines
