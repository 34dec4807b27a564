"""Frames, text formats other than SocketCAN's: a stream to lines to chunks.

In: a binary stream and the grammar of a format. Out: chunks. Lines of the grammar's usual form are taken to
columns together; any other is read alone, and one that cannot be read is a `BadLine`. The text is taken as
Latin-1, because frames are ASCII alone. Memory does not grow with the length of a line.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import repeat
from typing import TYPE_CHECKING, Protocol

import numpy as np

from canmap.chunks import CUT_SHORT, BadLine, FrameChunk, join
from canmap.frames.batches import NS, Batch
from canmap.frames.row import Row, UnreadableError
from canmap.frames.textblock import MOST_BAD_LINES, Block
from canmap.frames.textline import LONGEST_LINE
from canmap.frames.textlog import blocks

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator
    from io import BufferedIOBase

    from canmap.frames.usual import Usual

SIZE = 512 * 1024  # bytes of text that become one chunk
LINES_AT_ONCE = 256


class LineGrammar(Protocol):
    """What the lines of a format mean; keeps what its header said."""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line, None if it tells of something else.

        Raises:
            UnreadableError: It should be a frame, but cannot be read.
        """
        ...

    def state(self) -> Hashable:
        """Return what the header said so far; while it is the same, so is `usual`."""
        ...

    def usual(self) -> Usual | None:
        """Return the form that most lines have, and what it means; None if there is none to rely on."""
        ...

    def missing_end(self) -> str:
        """Return what should have stood at the end of the capture and did not; empty if all is there."""
        ...


def read_lines(name: str, stream: BufferedIOBase, grammar: LineGrammar) -> Iterator[FrameChunk]:
    """Yield the chunks of a text capture."""
    number = 0
    for block in blocks(name, stream, repeat(SIZE)):
        lines = _Lines(name, block, grammar)
        yield lines.chunk()
        number = block.first_line + lines.count
        if block.damage:
            return
    if missing := grammar.missing_end():
        batch = Batch(name)
        batch.add_bad(number, f"{CUT_SHORT}: {missing}")
        yield batch.chunk()


class _Lines:
    """The lines of one block, on their way into a chunk."""

    def __init__(self, name: str, block: Block, grammar: LineGrammar) -> None:
        self._name = name
        self._block = block
        self._grammar = grammar
        self._lines = block.data[: block.size].tobytes().decode("latin-1").split("\n")[:-1]
        self.count = len(self._lines)
        self._parts: list[FrameChunk] = []
        self._alone = Batch(name)  # what is read line by line

    def chunk(self) -> FrameChunk:
        """Return the frames and the bad lines of the block, in order."""
        self._read_all()
        if self._block.damage:
            self._alone.add_bad(self._block.first_line + self.count, self._block.damage)
        alone = self._alone.chunk()
        if not self._parts:
            return alone
        chunk = join([alone, *self._parts])
        if len(alone) or len(self._parts) > 1:
            chunk = chunk.take(np.argsort(chunk.line, kind="stable"))
        return _with_bad_lines(chunk, alone)

    def _read_all(self) -> None:
        """Read some lines after the other: all at once if all have the usual form, else each for itself."""
        grammar = self._grammar
        state, usual = grammar.state(), grammar.usual()
        found: list[tuple[str, ...]] = []
        numbers: list[int] = []
        for first in range(0, self.count, LINES_AT_ONCE):
            some = self._lines[first : first + LINES_AT_ONCE]
            if usual and len(whole := usual.form.findall("\n".join(some))) == len(some):
                found += whole
                numbers += range(first, first + len(some))
                continue
            for number, line in enumerate(some, first):
                told = usual.form.fullmatch(line) if usual else None
                if told is not None:
                    found.append(told.groups(""))
                    numbers.append(number)
                    continue
                self._read_alone(number, line)
                if grammar.state() != state:
                    self._take(usual, found, numbers)
                    found, numbers = [], []
                    state, usual = grammar.state(), grammar.usual()
        self._take(usual, found, numbers)

    def _read_alone(self, number: int, line: str) -> None:
        at = self._block.first_line + number
        try:
            if len(line) > LONGEST_LINE:
                raise UnreadableError(f"the line is longer than {LONGEST_LINE // 1024} KiB")
            row = self._grammar.read(line)
            if row is not None:
                self._alone.add(row, at)
        except UnreadableError as reason:
            cut = self._block.cut and number == self.count - 1
            self._alone.add_bad(at, f"{CUT_SHORT}, in the middle of a line: {reason}" if cut else str(reason))

    def _take(self, usual: Usual | None, found: list[tuple[str, ...]], numbers: list[int]) -> None:
        """Turn lines of the usual form to columns; those that turn out to be odd are read alone."""
        if usual is None or not found:
            return
        chunk, odd = usual.columns(found, np.array(numbers, np.int64) + self._block.first_line)
        if odd.any():
            for place in np.flatnonzero(odd):
                self._read_alone(numbers[place], self._lines[numbers[place]])
            chunk = chunk.take(~odd)
        self._parts.append(chunk)


def _with_bad_lines(chunk: FrameChunk, alone: FrameChunk) -> FrameChunk:
    """Return `chunk` with the bad lines of `alone`, each before the frame that comes after it."""
    listed = sorted(alone.bad, key=lambda bad: bad.line)[:MOST_BAD_LINES]
    bad = tuple(
        BadLine(int(np.searchsorted(chunk.line, one.line)), one.capture, one.line, one.reason)
        for one in listed
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


def whole_number(text: str, base: int, what: str) -> int:
    """Return a number without sign.

    Raises:
        UnreadableError: It is not one; `what` it should have been is told.
    """
    try:
        if text.isalnum() and len(text) < 32:
            return int(text, base)
    except ValueError:
        pass
    raise UnreadableError(f"the {what} is not a number")
