"""Frames, comma-separated text as python-can writes it: its rows, and those of its SQLite file.

In: lines. Out: rows. Neither keeps a channel, a direction or the FD flags: more than 8 bytes are an FD frame.
"""

from __future__ import annotations

import binascii
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.frames.batches import NS, UNNAMED_CHANNEL, checked
from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH, FLAG_FD, FrameKind
from canmap.frames.row import Row, UnreadableError
from canmap.frames.text.found import Found
from canmap.frames.text.linewise import decimal_ns, read_lines, whole_number

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.text.splitting import Lines

HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
COLUMNS = 7
_YES_NO = {"0": False, "1": True}


def read_csv(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a CSV capture."""
    return read_lines(name, stream, CsvLines())


class CsvLines:
    """The grammar: a header line, then seven columns."""

    commas = True

    def changes(self, lines: Lines) -> NDArray[np.bool_]:
        """There is no header that changes anything."""
        return np.zeros(lines.count, np.bool_)

    def columns(self, lines: Lines, some: NDArray[np.intp]) -> list[FrameChunk]:
        """Frames; remote ones without a payload."""
        some = some[lines.fields[some] == COLUMNS]
        if not len(some):
            return []
        stamp, identifier, extended, remote, error, count, data = (
            lines.field(some, number) for number in range(COLUMNS)
        )
        t_ns, wrong = lines.decimal_ns(stamp, NS)
        can_id, odd = lines.hexadecimal(identifier.part(2))
        wrong |= odd | ~lines.start_with(identifier, "0x")
        is_remote, is_error = lines.are(remote, "1"), lines.are(error, "1")
        wrong |= ~(is_remote | lines.are(remote, "0")) | ~(is_error | lines.are(error, "0"))
        is_extended = lines.are(extended, "1")
        wrong |= ~(is_extended | lines.are(extended, "0")) | (is_remote & is_error)
        length, odd = lines.decimal(count)
        wrong |= odd | (length > FD_WIDTH)
        length[wrong] = 0
        there = np.where(is_remote, 0, length)
        most = CLASSIC_WIDTH if there.max() <= CLASSIC_WIDTH else FD_WIDTH
        payload, odd = lines.base64(data, there, most)
        kind = np.where(is_error, FrameKind.ERROR, np.where(is_remote, FrameKind.REMOTE, FrameKind.DATA))
        is_fd = (length > CLASSIC_WIDTH) & (kind == FrameKind.DATA)
        flags = np.where(is_fd, FLAG_FD, 0).astype(np.uint8)
        found = Found(
            some, wrong | odd, t_ns, None, can_id, is_extended & ~is_error, flags, length, payload,
            kind.astype(np.uint8),
        )  # fmt: skip
        return [found.chunk(lines)]

    def missing_end(self) -> str:
        """Nothing marks the end."""
        return ""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line."""
        fields = line.strip().split(",")
        if len(fields) != COLUMNS:
            if fields == [""]:
                return None
            raise UnreadableError(f"the line has {times(len(fields), 'column')} instead of {COLUMNS}")
        stamp, identifier, extended, remote, error, length, data = fields
        if stamp == "timestamp":
            return None
        if not {extended, remote, error} <= _YES_NO.keys():
            raise UnreadableError("extended, remote and error are not all 0 or 1")
        can_id = whole_number(identifier, 16, "identifier")
        return bare_row(
            _stamp(stamp), can_id, (extended == "1", remote == "1", error == "1"), whole_number(length, 10,
            "length"), _base64(data),
        )  # fmt: skip


def bare_row(
    t_ns: int, can_id: int, extended_remote_error: tuple[bool, bool, bool], length: int, payload: bytes
) -> Row:
    """Return a row of what the format tells.

    Raises:
        UnreadableError: No such frame can be on a bus.
    """
    extended, remote, error = extended_remote_error
    if error:
        kind, extended = FrameKind.ERROR, False
    else:
        kind = FrameKind.REMOTE if remote else FrameKind.DATA
    flags = FLAG_FD if length > 8 and kind == FrameKind.DATA else 0
    return checked(
        Row(t_ns, UNNAMED_CHANNEL, can_id, extended, kind, flags, length, b"" if remote else payload)
    )


def _stamp(text: str) -> int:
    """Return the stamp as it is written, which is more exact than the number that it was written from."""
    if "e" not in text.lower():
        return decimal_ns(text)
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise UnreadableError("the stamp is not a decimal number") from None
    if not number.is_finite() or number.adjusted() > 12:
        raise UnreadableError("the stamp is not a time")
    return int(number * NS) if number.adjusted() > -12 else 0


def _base64(text: str) -> bytes:
    try:
        return binascii.a2b_base64(text, strict_mode=True) if text else b""
    except ValueError:
        raise UnreadableError("the payload is not in base 64") from None
