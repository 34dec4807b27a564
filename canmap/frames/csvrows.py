"""Frames, comma-separated text as python-can writes it: its rows, and those of its SQLite file.

In: lines. Out: rows. Neither keeps a channel, a direction or the FD flags: more than 8 bytes are an FD frame.
"""

from __future__ import annotations

import binascii
import re
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from canmap.chunks import FLAG_FD, FrameKind
from canmap.frames.batches import NS, UNNAMED_CHANNEL, checked
from canmap.frames.linewise import decimal_ns, read_lines, whole_number
from canmap.frames.row import Row, UnreadableError
from canmap.frames.usual import Usual

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from io import BufferedIOBase

    from canmap.chunks import FrameChunk

HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
_YES_NO = {"0": False, "1": True}


def _payloads(texts: Sequence[str]) -> list[bytes] | None:
    """Return what texts in base 64 stand for; None if one is not in base 64."""
    try:
        return [binascii.a2b_base64(text, strict_mode=True) if text else b"" for text in texts]
    except ValueError:
        return None


_USUAL = Usual(
    re.compile(
        r"^(?P<whole>[0-9]{1,10})\.(?P<part>[0-9]{1,20}),0x(?P<id>[0-9a-f]{1,8}),(?P<mark>[01]),0,0,"
        r"(?P<length>[0-8]),(?P<data>[0-9A-Za-z+/=]*)\r?$",
        re.MULTILINE,
    ),
    start_ns=0,
    payload=_payloads,
)


def read_csv(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a CSV capture."""
    return read_lines(name, stream, CsvLines())


class CsvLines:
    """The grammar: a header line, then seven columns."""

    def state(self) -> None:
        """There is no header that changes anything."""

    def usual(self) -> Usual:
        """A classic data frame."""
        return _USUAL

    def missing_end(self) -> str:
        """Nothing marks the end."""
        return ""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line."""
        fields = line.strip().split(",")
        if len(fields) != 7:
            if fields == [""]:
                return None
            raise UnreadableError(f"the line has {len(fields)} columns instead of 7")
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
