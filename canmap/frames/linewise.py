"""Frames, text formats that are read line by line: a stream to lines to chunks.

In: a binary stream and the grammar of a format. Out: chunks. A line that cannot be read is a `BadLine` and
the next one is read; memory does not grow with the length of a line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from canmap.chunks import CUT_SHORT
from canmap.frames.batches import NS, ROWS, Batch, Row, UnreadableError
from canmap.frames.textline import LONGEST_LINE
from canmap.frames.textlog import DAMAGE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from canmap.chunks import FrameChunk

LINE_FEED = b"\n"


class LineGrammar(Protocol):
    """What the lines of a format mean; keeps what its header said."""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line, None if it tells of something else.

        Raises:
            UnreadableError: It should be a frame, but cannot be read.
        """
        ...

    def missing_end(self) -> str:
        """Return what should have stood at the end of the capture and did not; empty if all is there."""
        ...


def read_lines(name: str, stream: BufferedIOBase, grammar: LineGrammar) -> Iterator[FrameChunk]:
    """Yield the chunks of a text capture. The text is taken as Latin-1, because frames are ASCII alone."""
    batch = Batch(name)
    number, line = 0, LINE_FEED
    read_line, read = stream.readline, grammar.read
    while True:
        try:
            line = read_line(LONGEST_LINE)
            if not line:
                break
            number += 1
            row = read(line.decode("latin-1"))
            if row is not None:
                batch.add(row, number)
        except UnreadableError as reason:
            cut = not line.endswith(LINE_FEED) and len(line) < LONGEST_LINE
            batch.add_bad(number, f"{CUT_SHORT}, in the middle of a line: {reason}" if cut else str(reason))
        except DAMAGE as damage:
            batch.add_bad(number + 1, f"the data cannot be read from here on ({damage})")
            break
        if len(line) >= LONGEST_LINE and not line.endswith(LINE_FEED):
            _pass_line(stream)
        if len(batch) >= ROWS:
            yield batch.chunk()
    if missing := grammar.missing_end():
        batch.add_bad(number + 1, f"{CUT_SHORT}: {missing}")
    yield batch.chunk()


def _pass_line(stream: BufferedIOBase) -> None:
    """Read to the end of a line that is too long."""
    try:
        while (more := stream.readline(LONGEST_LINE)) and not more.endswith(LINE_FEED):
            pass
    except DAMAGE:
        return  # the next line meets it again and tells it


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
