"""Frames, text formats other than SocketCAN's: a stream to lines to chunks.

In: a binary stream and the grammar of a format. Out: chunks. Lines of the forms that most lines have are
taken to columns together; any other is read alone, and one that cannot be read is a `BadLine`. The text is
taken as Latin-1, because frames are ASCII only. Memory does not grow with the length of a line.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, repeat
from typing import TYPE_CHECKING, Protocol

import numpy as np

from canmap.base.errors import CaptureError, readable
from canmap.frames.batches import NS, Batch, too_many_channels
from canmap.frames.chunks import BadLine, FrameChunk, join
from canmap.frames.row import Row, UnreadableError
from canmap.frames.source import MOST_BAD_LINES, MOST_CHANNELS
from canmap.frames.text.line import LONGEST_LINE
from canmap.frames.text.log import blocks
from canmap.frames.text.splitting import Lines
from canmap.frames.unread import TOO_SLOW, cut_short, stopped

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.text.block import TextBlock

SIZE = 1024 * 1024  # bytes of text that become one chunk
FEWEST_LINES = 12  # fewer are read sooner one by one
MOST_USELESS = 200_000  # lines that are no frames, where less than one in ten is one; then the rest is no log


class LineGrammar(Protocol):
    """What the lines of a format mean; keeps what its header stated.

    Attributes:
        commas: Whether fields are parted by commas, else by white space.
    """

    commas: bool

    def read(self, line: str) -> Row | None:
        """Return the frame of a line, None if it tells of something else.

        Raises:
            UnreadableError: It should be a frame, but cannot be read.
        """
        ...

    def changes(self, lines: Lines) -> NDArray[np.bool_]:
        """Return bool[lines]: which may change what those after them mean."""
        ...

    def columns(self, lines: Lines, some: NDArray[np.intp]) -> list[FrameChunk]:
        """Return the frames in those of `some` lines that have a usual form; they are what `read` returns.

        Args:
            lines: The lines of a block.
            some: Indices of those to read, ascending.

        Returns:
            Chunks in any order, whose `line` is the index in `lines`.
        """
        ...

    def missing_end(self) -> str:
        """Return what should have stood at the end of the capture and did not; empty if all is there."""
        ...


def read_lines(name: str, stream: BufferedIOBase, grammar: LineGrammar) -> Iterator[FrameChunk]:
    """Yield the chunks of a text capture."""
    number = frames = useless = 0
    for block in blocks(name, stream, repeat(SIZE)):
        lines = _BlockReader(name, block, grammar)
        chunk = lines.chunk()
        yield chunk
        number = block.first_line + lines.count
        if block.damage:
            return
        frames, useless = frames + len(chunk), useless + lines.useless
        if useless > max(MOST_USELESS, 10 * frames):
            batch = Batch(name)
            batch.add_bad(
                number,
                stopped("the data are not read from here on (there are too many lines without a frame)"),
            )
            yield batch.chunk()
            return
    if missing := grammar.missing_end():
        batch = Batch(name)
        batch.add_bad(number, cut_short(missing))
        yield batch.chunk()


class _BlockReader:
    """Takes the lines of one block to a chunk.

    Attributes:
        count: Number of lines.
        useless: Lines that were to be read alone and gave no frame.
    """

    def __init__(self, name: str, block: TextBlock, grammar: LineGrammar) -> None:
        self._name = name
        self._block = block
        self._grammar = grammar
        self._lines = Lines(block, commas=grammar.commas)
        self.count = self._lines.count
        self.useless = 0
        self._left = block.most_alone
        self._parts: list[FrameChunk] = []
        self._alone = Batch(name)  # what is read line by line

    def chunk(self) -> FrameChunk:
        """Return the frames and the bad lines of the block, in order."""
        inked = ~self._lines.blank()
        changes = np.flatnonzero(self._grammar.changes(self._lines) & inked).tolist()
        for before, change in pairwise([-1, *changes, self.count]):
            if change > before + 1:
                self._read(before + 1 + np.flatnonzero(inked[before + 1 : change]))
            if change < self.count:
                self._read_alone(change)
        if self._block.damage:
            self._alone.add_bad(self._block.first_line + self.count, self._block.damage)
        alone = self._alone.chunk()
        parts = [part for part in (alone, *self._parts) if len(part)]
        if len({name for part in parts for name in part.channels}) > MOST_CHANNELS:
            raise CaptureError(too_many_channels(self._name))
        chunk = join(parts)
        if len(parts) > 1:
            chunk = chunk.take(np.argsort(chunk.line, kind="stable"))
        return _with_bad_lines(chunk, alone)

    def _read(self, some: NDArray[np.intp]) -> None:
        """Read lines between which nothing changes what they mean."""
        odd = np.ones(len(some), np.bool_)
        short = some[self._lines.ends[some] - self._lines.starts[some] <= LONGEST_LINE]
        if len(short) >= FEWEST_LINES:
            for part in self._grammar.columns(self._lines, short):
                odd[np.searchsorted(some, part.line)] = False
                self._parts.append(replace(part, line=part.line + self._block.first_line))
        alone = some[odd]
        for number in alone[: self._left].tolist():
            self._read_alone(number)
        if len(left := alone[self._left :]):
            self._alone.add_bad(self._block.first_line + int(left[0]), TOO_SLOW, len(left))
            self.useless += len(left)
        self._left -= len(alone) - len(left)

    def _read_alone(self, number: int) -> None:
        at = self._block.first_line + number
        line = self._lines.line(number)
        row: Row | None = None
        try:
            if len(line) > LONGEST_LINE:
                raise UnreadableError(f"the line is longer than {LONGEST_LINE // 1024} KiB")
            row = self._grammar.read(line)
        except UnreadableError as reason:
            self._alone.add_bad(at, readable(str(reason)))
        if row is None:
            self.useless += 1
        else:
            self._alone.add(row, at)


def _with_bad_lines(chunk: FrameChunk, alone: FrameChunk) -> FrameChunk:
    """Return `chunk` with the bad lines of `alone`, each before the frame that comes after it."""
    listed = sorted(alone.bad, key=lambda bad: bad.line)[:MOST_BAD_LINES]
    bad = tuple(
        BadLine(int(np.searchsorted(chunk.line, one.line)), one.capture, one.line, one.why) for one in listed
    )
    return replace(chunk, bad=bad, bad_count=alone.bad_count)


def decimal_ns(text: str, unit_ns: int = NS) -> int:
    """Return a plain decimal number of units (by default seconds) in nanoseconds, rounded down to whole ones.

    Raises:
        UnreadableError: It is not one.

    >>> decimal_ns("0.015991"), decimal_ns("-1.5", 1_000_000)
    (15991000, -1500000)
    """
    whole, _, fraction = text.partition(".")
    if not (text.isascii() and whole.removeprefix("-").isdecimal() and len(text) < 32):
        raise UnreadableError("the stamp is not a decimal number")
    ns = int(whole) * unit_ns
    if fraction:
        if not fraction.isdecimal():
            raise UnreadableError("the stamp is not a decimal number")
        part = int(fraction) * unit_ns // 10 ** len(fraction)
        ns += -part if whole.startswith("-") else part
    return ns


def hex_bytes(fields: list[str]) -> bytes:
    """Return the bytes that are written as two hexadecimal digits each.

    Raises:
        UnreadableError: They are something else.
    """
    try:
        payload = bytes.fromhex("".join(fields))
    except ValueError:
        raise UnreadableError("the payload holds something other than hexadecimal digits") from None
    if len(payload) != len(fields):
        raise UnreadableError("a byte of the payload is not two hexadecimal digits")
    return payload


def channel_number(text: str) -> str:
    """Return the number of a channel, without zeros before it.

    Raises:
        UnreadableError: It is none.
    """
    if not text.isdecimal():
        raise UnreadableError("the channel is not a number")
    return str(whole_number(text, 10, "channel"))


def whole_number(text: str, base: int, what: str) -> int:
    """Return a number without sign.

    Raises:
        UnreadableError: It is not one; the text says `what` it should have been.
    """
    try:
        if text.isascii() and text.isalnum() and len(text) < 32:
            return int(text, base)
    except ValueError:
        pass
    raise UnreadableError(f"the {what} is not a number")
