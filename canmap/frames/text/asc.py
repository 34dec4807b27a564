"""Frames, ASC text: the lines of the trace format that measurement programs write, to rows.

In: lines. Out: rows. What a line means is what python-can's `can/io/asc.py` reads in it and writes; a
property test compares the two. Stamps count seconds from the date in the header, which is in local time and
does not tell its zone: this computer's is taken. Without a date they count from zero. The header may call
stamps absolute or relative; what that means python-can does not tell, and both are read alike, as it does.
"""

from __future__ import annotations

import re
from datetime import datetime
from functools import lru_cache, partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.batches import FIRST_YEAR, LATEST_YEAR, NS, checked
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import Row, UnreadableError
from canmap.frames.text.found import Found, error_frames
from canmap.frames.text.linewise import channel_number, decimal_ns, hex_bytes, read_lines, whole_number
from canmap.frames.text.splitting import MOST_DIGITS, Field

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.text.splitting import Lines

FRAME_IS_FD = 0x1000  # bit of the flags field of a CANFD line, as python-can's writer sets it

_DATE = re.compile(
    r"\w+\s+([^\W\d]+)\s+(\d{1,2})\s+(\d{1,2}):(\d{1,2}):(\d{1,2})(?:\.(\d{1,6}))?\s+(?:([ap]m)\s+)?(\d{4})",
    re.IGNORECASE,
)
_LATEST_HALF_HOUR = 12  # of a day in two halves
# German month names as well: March is there as Latin-1 and as UTF-8.
_MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS = {
    **{name: number for number, name in enumerate(_MONTH_NAMES, 1)},
    **{"mär": 3, "mã¤r": 3, "mai": 5, "okt": 10, "dez": 12},
}
_BASE = re.compile(r"base\s+(hex|dec)", re.IGNORECASE)
_HEADER = re.compile(
    r"//|base\s|date\s|(no\s+)?internal\s+events\s+logged|begin\s+trigger|end\s+trigger",
    re.IGNORECASE,
)
_DIRECTIONS = {"rx": FLAG_RECEIVED, "tx": FLAG_SENT}  # in either case
_IDENTIFIER = re.compile(r"[0-9A-Fa-f]{1,10}[xX]?")


class _Form(NamedTuple):
    """Which fields of a data frame are what; the payload comes last."""

    channel: int
    identifier: int
    direction: int
    data: int | NDArray[np.int64]


class _Stated(NamedTuple):
    """What lines tell in the fields in which classic and FD frames differ."""

    wrong: NDArray[np.bool_]
    flags: NDArray[np.uint8]
    length: NDArray[np.int64]
    remote: NDArray[np.bool_]


_CLASSIC = _Form(channel=1, identifier=2, direction=3, data=6)
_FD = _Form(channel=2, identifier=4, direction=3, data=9)


def read_asc(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of an ASC capture."""
    return read_lines(name, stream, AscLines())


class AscLines:
    """The grammar, with what the header stated."""

    commas = False

    def __init__(self) -> None:
        self._start_ns = 0
        self._base = 16
        self._block_open = False
        self._identifier = lru_cache(4096)(partial(_identifier, base=16))

    def changes(self, lines: Lines) -> NDArray[np.bool_]:
        """Lines of a header that give the base of numbers, or a date: base, begin, date."""
        return np.asarray(np.logical_or.reduce([lines.begin_with(letter) for letter in "bBdD"]))

    def columns(self, lines: Lines, some: NDArray[np.intp]) -> list[FrameChunk]:
        """Frames, classic and FD, with hexadecimal numbers."""
        if self._base != 16:
            return []
        some = some[lines.fields[some] > 2]
        error = lines.are(lines.field(some, 2), "ErrorFrame")
        fd = lines.are(lines.field(some, 1), "CANFD")
        count = lines.fields[some]
        parts = (
            (self._error_columns, some[error & ~fd]),
            (self._classic_columns, some[~error & ~fd & (count >= _CLASSIC.data - 1)]),
            (self._fd_columns, some[fd & (count >= _FD.data)]),
        )
        return [read(lines, part) for read, part in parts if len(part)]

    def _error_columns(self, lines: Lines, some: NDArray[np.intp]) -> FrameChunk:
        t_ns, wrong = lines.decimal_ns(lines.field(some, 0), NS, self._start_ns)
        channel = lines.field(some, 1)
        return error_frames(some, wrong | lines.padded(channel), t_ns, channel).chunk(lines)

    def _classic_columns(self, lines: Lines, some: NDArray[np.intp]) -> FrameChunk:
        """Take data frames, and remote frames with the length that they ask for or without."""
        count = lines.fields[some]
        letter, stated = lines.field(some, 4), count >= _CLASSIC.data
        remote = lines.are(letter, "r")
        code = lines.field(some, np.where(stated, 5, 0))
        number, odd = lines.hexadecimal(code)
        is_digit = stated & (code.length == 1) & ~odd
        decimal = stated & (lines.text[code.start] - np.uint8(ord("0")) < 10)  # else it is no length
        wrong = np.where(remote, decimal & ~is_digit, ~is_digit | ~lines.are(letter, "d"))
        length = np.where(is_digit & (decimal | ~remote), np.minimum(number, CLASSIC_WIDTH), 0).astype(
            np.int64
        )
        form = _CLASSIC._replace(data=np.minimum(_CLASSIC.data, count))
        return self._frames(lines, some, form, _Stated(wrong, np.zeros(len(some), np.uint8), length, remote))

    def _fd_columns(self, lines: Lines, some: NDArray[np.intp]) -> FrameChunk:
        """Take lines with a symbolic name or without, unless they have no payload."""
        named = lines.decimal(lines.field(some, 5))[1]
        enough = lines.fields[some] >= _FD.data + named
        some, shift = some[enough], named[enough].astype(np.int64)
        switch, passive, code, count = (lines.field(some, number + shift) for number in range(5, 9))
        length, wrong = lines.decimal(count)
        wrong |= lines.field(some, 5).length > MOST_DIGITS  # a number too long, or a name
        wrong |= lines.decimal(switch)[1] | lines.hexadecimal(code)[1] | (length > FD_WIDTH) | (length == 0)
        length[wrong] = 0
        form = _FD._replace(data=_FD.data + shift)
        flags = np.full(len(some), FLAG_FD, np.uint8)
        flags[lines.are(switch, "1")] |= FLAG_BIT_RATE_SWITCH
        flags[lines.are(passive, "1")] |= FLAG_ERROR_PASSIVE
        return self._frames(lines, some, form, _Stated(wrong, flags, length, np.zeros(len(some), np.bool_)))

    def _frames(self, lines: Lines, some: NDArray[np.intp], form: _Form, stated: _Stated) -> FrameChunk:
        wrong, flags, length, remote = stated
        t_ns, odd = lines.decimal_ns(lines.field(some, 0), NS, self._start_ns)
        channel = lines.field(some, form.channel)
        wrong = wrong | odd | lines.padded(channel)
        identifier, direction = lines.field(some, form.identifier), lines.field(some, form.direction)
        extended = (lines.last_characters(identifier) | 0x20) == ord("x")
        can_id, odd = lines.hexadecimal(Field(identifier.start, identifier.length - extended))
        sent = lines.are(direction, "Tx") | lines.are(direction, "tx")
        wrong |= odd | ~(sent | lines.are(direction, "Rx") | lines.are(direction, "rx"))
        payload, there, odd = lines.payload(some, form.data, np.where(wrong | remote, 0, length))
        flags = flags | np.where(sent, FLAG_SENT, FLAG_RECEIVED).astype(np.uint8)
        kind = np.where(remote, FrameKind.REMOTE, FrameKind.DATA).astype(np.uint8)
        length = np.where(remote, length, there)
        return Found(
            some, wrong | odd, t_ns, channel, can_id, extended, flags, length, payload, kind
        ).chunk(lines)  # fmt: skip

    def missing_end(self) -> str:
        """A trigger block that was begun must be ended."""
        return "its last trigger block has no end" if self._block_open else ""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line; None for the header, comments and events of other kinds."""
        fields = line.split()
        if not fields:
            return None
        if not fields[0][0].isdecimal():
            self._header(line.strip())
            return None
        t_ns = self._stamp(fields[0])
        if len(fields) < 3:
            raise UnreadableError("the line ends after its stamp")
        if fields[1].isdecimal() and fields[1].isascii():
            return self._classic(t_ns, fields)
        if fields[1] == "CANFD":
            return self._fd(t_ns, fields)
        return None

    def _header(self, line: str) -> None:
        if not _HEADER.match(line):
            raise UnreadableError("the line is neither an event with a stamp nor part of a header")
        word = line.lower()
        base = _BASE.match(line)
        if base:
            self._base = 10 if base.group(1).lower() == "dec" else 16
            self._identifier = lru_cache(4096)(partial(_identifier, base=self._base))
        elif word.startswith(("begin", "date")):
            self._block_open |= word.startswith("begin")
            start_ns = _date_ns(line)
            self._start_ns = self._start_ns if start_ns is None else start_ns
        elif word.startswith("end"):
            self._block_open = False

    def _stamp(self, text: str) -> int:
        return self._start_ns + decimal_ns(text)

    def _classic(self, t_ns: int, fields: list[str]) -> Row | None:
        channel, word = channel_number(fields[1]), fields[2]
        if word.lower() == "errorframe":
            return checked(Row(t_ns, channel, 0, False, FrameKind.ERROR, 0, 0, b""))
        flags = _DIRECTIONS.get(fields[3].lower()) if len(fields) > 3 else None
        if flags is None:
            if _IDENTIFIER.fullmatch(word):
                raise UnreadableError("a frame's identifier is not followed by Rx or Tx")
            return None
        can_id, extended = self._identifier(word)
        letter = fields[4].lower() if len(fields) > 4 else ""
        if letter == "r":
            asked = fields[5] if len(fields) > 5 and fields[5].isdecimal() else "0"
            length = min(whole_number(asked, self._base, "length asked for"), 8)
            return checked(Row(t_ns, channel, can_id, extended, FrameKind.REMOTE, flags, length, b""))
        if letter != "d" or len(fields) < 6:
            raise UnreadableError("what follows the direction is neither d nor r with a length")
        code = whole_number(fields[5], self._base, "length code")
        if code > 15:
            raise UnreadableError("the length code is more than one hexadecimal digit")
        length = min(code, 8)
        payload = self._payload(fields[6 : 6 + length])
        return checked(Row(t_ns, channel, can_id, extended, FrameKind.DATA, flags, length, payload))

    def _payload(self, fields: list[str]) -> bytes:
        if self._base == 16:
            return hex_bytes(fields)
        numbers = [whole_number(field, 10, "payload") for field in fields]
        if any(number > 255 for number in numbers):
            raise UnreadableError("a byte of the payload is more than 255")
        return bytes(numbers)

    def _fd(self, t_ns: int, fields: list[str]) -> Row:
        """Read `CANFD channel direction identifier [name] rate-switch state code length bytes...`."""
        channel, after = channel_number(fields[2]), fields[3:]
        flags = _DIRECTIONS.get(after[0].lower(), 0) if after else 0
        if len(after) > 1 and after[1].lower() == "errorframe":
            return checked(Row(t_ns, channel, 0, False, FrameKind.ERROR, flags, 0, b""))
        if len(after) > 2 and not after[2].isdecimal():
            del after[2]  # a symbolic name
        if len(after) < 6 or not flags:
            raise UnreadableError("an FD frame lacks its direction, its identifier, its flags or its length")
        identifier, rate_switch, error_state, code, count = after[1:6]
        can_id, extended = self._identifier(identifier)
        length, rest = whole_number(count, 10, "length"), after[6:]
        payload, stated = self._payload(rest[:length]), rest[length:]
        asked = whole_number(code, self._base, "length code")
        # Without payload it is a remote frame, which is a classic one, unless the flags field says FD.
        field = whole_number(stated[2], 16, "flags field") if not length and len(stated) > 2 else 0
        if not length and not field & FRAME_IS_FD:
            return checked(Row(t_ns, channel, can_id, extended, FrameKind.REMOTE, flags, min(asked, 8), b""))
        flags |= FLAG_FD
        flags |= FLAG_BIT_RATE_SWITCH if rate_switch == "1" else 0
        flags |= FLAG_ERROR_PASSIVE if error_state == "1" else 0
        return checked(Row(t_ns, channel, can_id, extended, FrameKind.DATA, flags, length, payload))


def _identifier(text: str, base: int) -> tuple[int, bool]:
    extended = text[-1] in "xX"
    return whole_number(text[:-1] if extended else text, base, "identifier"), extended


def _date_ns(line: str) -> int | None:
    """Return the date in a header line, in local time, as ns since 1970; None if the line has none.

    A fraction of fewer than three digits is a count of ms without its zeros: python-can writes it so.
    """
    if not any(character.isdecimal() for character in line):
        return None
    match = _DATE.search(line[:100])  # on a line without end it would search without end
    month = _MONTHS.get(match.group(1).lower()) if match else None
    if match is None or month is None:
        raise UnreadableError("the date is not one like Sat Sep 30 15:06:13.191 2017")
    day, hour, minute, second = (int(match.group(group)) for group in range(2, 6))
    fraction, half, year = match.group(6) or "0", (match.group(7) or "").lower(), int(match.group(8))
    if half:
        if not 1 <= hour <= _LATEST_HALF_HOUR:
            raise UnreadableError("the date has an impossible hour for AM or PM")
        hour = hour % 12 + (12 if half == "pm" else 0)
    if not FIRST_YEAR <= year <= LATEST_YEAR:
        raise UnreadableError("the date does not fit nanoseconds since 1970 in 64 bits")
    try:
        start = round(datetime(year, month, day, hour, minute, second).timestamp())
    except (ValueError, OverflowError, OSError):
        raise UnreadableError("there is no such date") from None
    return start * NS + int(fraction.rjust(3, "0").ljust(9, "0"))
