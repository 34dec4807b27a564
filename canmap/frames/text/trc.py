"""Frames, TRC text: the lines of the trace format of versions 1.0, 1.1, 1.3, 2.0 and 2.1, to rows.

In: lines. Out: rows. What a line means is what python-can's `can/io/trc.py` reads in it; a property test
compares the two. So a version that it does not know is read as 1.0, which is reported, and a line of a type
that it does not know is passed over: no error frame is read. Stamps are milliseconds after the start that
the header gives in days since 1899-12-30, taken as UTC; in version 1.0 they count from zero.
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.batches import NS, UNNAMED_CHANNEL, checked
from canmap.frames.chunks import (
    FD_LENGTHS,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.row import Row, UnreadableError
from canmap.frames.text.found import Found
from canmap.frames.text.linewise import channel_number, decimal_ns, hex_bytes, read_lines, whole_number

if TYPE_CHECKING:
    from collections.abc import Iterator
    from collections.abc import Set as AbstractSet
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.text.splitting import Lines

MS = 1_000_000
DAY_NS = 86_400 * NS
DAYS_TO_1970 = 25_569  # from 1899-12-30
LATEST_DAYS = 132_000  # the year 2261, up to which ns fit in 64 bits
STANDARD_DIGITS = 4  # an identifier of more digits is extended

_LENGTH_OF_CODE = np.array(FD_LENGTHS, np.int64)
_DIRECTIONS = {"Rx": FLAG_RECEIVED, "Tx": FLAG_SENT}
_FD_TYPES = {
    "FD": FLAG_FD,
    "FB": FLAG_FD | FLAG_BIT_RATE_SWITCH,
    "FE": FLAG_FD | FLAG_BIT_RATE_SWITCH | FLAG_ERROR_PASSIVE,
    "BI": FLAG_FD | FLAG_ERROR_PASSIVE,
}
_TYPES = {"DT", "RR", *_FD_TYPES}  # of version 2; before, the type column says the direction


class _Layout(NamedTuple):
    """Where the columns of a version stand; data come last. -1: the version has no such column."""

    offset: int
    type: int
    bus: int
    identifier: int
    direction: int
    length: int
    data: int
    length_is_code: bool = False
    types: AbstractSet[str] = _DIRECTIONS.keys()  # of the lines that are frames

    @property
    def is_first(self) -> bool:
        """Whether it is that of version 1.0."""
        return self.type < 0

    @property
    def last_named(self) -> int:
        """The last of the columns that every event has."""
        return max(self.offset, self.type, self.bus)


_FIRST = _Layout(1, -1, -1, 2, -1, 3, 4)
_LAYOUTS = {"1.0": _FIRST, "1.1": _Layout(1, 2, -1, 3, 2, 4, 5), "1.3": _Layout(1, 3, 2, 4, 3, 6, 7)}
_WITH_COLUMNS = ("2.0", "2.1")  # versions whose header names the columns


def read_trc(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a TRC capture."""
    return read_lines(name, stream, TrcLines())


class TrcLines:
    """The grammar, with what the header stated."""

    commas = False

    def __init__(self) -> None:
        self._start_ns = 0
        self._has_columns = False
        self._layout: _Layout | None = _FIRST
        self._trouble = ""  # why no line can be read

    def changes(self, lines: Lines) -> NDArray[np.bool_]:
        """Lines of the header that say something about the others."""
        return lines.begin_with(";$")

    def columns(self, lines: Lines, some: NDArray[np.intp]) -> list[FrameChunk]:
        """Frames, classic and FD."""
        layout = self._layout
        if layout is None:
            return []
        some = some[(lines.fields[some] > layout.last_named) & ~lines.begin_with(";")[some]]
        some = some[lines.fields[some] >= layout.data]
        return [self._frame_columns(lines, some, layout)] if len(some) else []

    def _frame_columns(self, lines: Lines, some: NDArray[np.intp], layout: _Layout) -> FrameChunk:
        start_ns = 0 if layout.is_first else self._start_ns
        t_ns, wrong = lines.decimal_ns(lines.field(some, layout.offset), MS, start_ns)
        flags, odd = _flags(lines, some, layout)
        wrong |= odd
        channel = lines.field(some, layout.bus) if layout.bus >= 0 else None
        if channel is not None:
            wrong |= lines.padded(channel)
        identifier = lines.field(some, layout.identifier)
        can_id, odd = lines.hexadecimal(identifier)
        wrong |= odd
        length, odd = _lengths(lines, some, layout, flags)
        remote = _remote(lines, some, layout)
        wrong |= odd
        payload, there, odd = lines.payload(some, layout.data, np.where(wrong | remote, 0, length))
        length = np.where(remote & ~wrong, length, there)
        extended = identifier.length > STANDARD_DIGITS
        kind = np.where(remote, FrameKind.REMOTE, FrameKind.DATA).astype(np.uint8)
        return Found(
            some, wrong | odd, t_ns, channel, can_id, extended, flags, length, payload, kind
        ).chunk(lines)  # fmt: skip

    def missing_end(self) -> str:
        """Nothing marks the end."""
        return ""

    def read(self, line: str) -> Row | None:
        """Return the frame of a line; None for the header, comments, and lines of other kinds."""
        line = line.strip()
        if not line:
            return None
        if line.startswith(";"):
            self._header(line)
            return None
        if self._layout is None:
            raise UnreadableError(self._trouble)
        return self._frame(line.split(), self._layout)

    def _header(self, line: str) -> None:
        key, equals, value = line.partition("=")
        if not equals:
            return
        if key == ";$FILEVERSION":
            self._set_version(value.strip())
        elif key == ";$STARTTIME":
            self._start_ns = _days_ns(value.strip())
        elif key == ";$COLUMNS" and self._has_columns:
            self._layout = _layout(value.strip())
            self._trouble = "a column for the time, type, identifier, direction, length or data is missing"

    def _set_version(self, version: str) -> None:
        self._has_columns = version in _WITH_COLUMNS
        self._layout = None if self._has_columns else _LAYOUTS.get(version, _FIRST)
        self._trouble = "the header does not name its columns"
        if not self._has_columns and version not in _LAYOUTS:
            raise UnreadableError(f"version {version[:10]} of the format is not known, and is read as 1.0")

    def _frame(self, fields: list[str], layout: _Layout) -> Row | None:
        if len(fields) <= layout.last_named:
            raise UnreadableError("the line ends before its identifier")
        if not layout.is_first and (word := fields[layout.type]) not in layout.types:
            if word.isalpha():
                return None  # of some other type
            raise UnreadableError(f"{word[:10]} is not a type of line")
        t_ns = (0 if layout.is_first else self._start_ns) + decimal_ns(fields[layout.offset], MS)
        channel = channel_number(fields[layout.bus]) if layout.bus >= 0 else UNNAMED_CHANNEL
        if len(fields) <= layout.length:
            raise UnreadableError("the line ends before its length")
        if layout.is_first and fields[layout.identifier] == "FFFFFFFF":
            return None  # how version 1.0 writes what is no frame
        return self._stated(t_ns, channel, fields, layout)

    def _stated(self, t_ns: int, channel: str, fields: list[str], layout: _Layout) -> Row:
        word = "" if layout.is_first else fields[layout.type]
        flags = _FD_TYPES.get(word, 0)
        if layout.direction >= 0:
            flags |= _DIRECTIONS.get(fields[layout.direction], 0)
        digits = fields[layout.identifier]
        can_id = whole_number(digits, 16, "identifier")
        length = whole_number(fields[layout.length], 10, "length")
        if layout.length_is_code and length > 8:
            if not flags & FLAG_FD:
                length = 8 if length < 16 else length
            elif length < 16:
                length = FD_LENGTHS[length]
        data = fields[layout.data :]
        remote = word == "RR" if "RR" in layout.types else data[:1] == ["RTR"]
        kind = FrameKind.REMOTE if remote else FrameKind.DATA
        payload = b"" if remote else hex_bytes(data[:length])
        return checked(
            Row(t_ns, channel, can_id, len(digits) > STANDARD_DIGITS, kind, flags, length, payload)
        )


def _flags(
    lines: Lines, some: NDArray[np.intp], layout: _Layout
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return what type and direction of data frames say, and which lines are none."""
    flags = np.zeros(len(some), np.uint8)
    if layout.direction >= 0:
        direction = lines.field(some, layout.direction)
        for word, flag in _DIRECTIONS.items():
            flags[lines.are(direction, word)] = flag
    if layout.is_first:
        return flags, np.zeros(len(some), np.bool_)
    kind, wrong = lines.field(some, layout.type), np.ones(len(some), np.bool_)
    for word in layout.types:
        of_type = lines.are(kind, word)
        flags[of_type] |= _FD_TYPES.get(word, 0)
        wrong &= ~of_type
    return flags, wrong


def _remote(lines: Lines, some: NDArray[np.intp], layout: _Layout) -> NDArray[np.bool_]:
    """Return which lines are remote frames: by their type, or before version 2 by RTR in place of data."""
    if "RR" in layout.types:
        return lines.are(lines.field(some, layout.type), "RR")
    is_stated = lines.fields[some] > layout.data
    return np.asarray(is_stated & lines.are(lines.field(some, np.where(is_stated, layout.data, 0)), "RTR"))


def _lengths(
    lines: Lines, some: NDArray[np.intp], layout: _Layout, flags: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the bytes of payload, and where there are impossibly many."""
    length, wrong = lines.decimal(lines.field(some, layout.length))
    if layout.length_is_code:
        of_code = np.where(flags & FLAG_FD, _LENGTH_OF_CODE[np.clip(length, 0, 15)], np.minimum(length, 8))
        length = np.where(length < 16, of_code, length)
    return length, wrong | (length > FD_WIDTH)


def _days_ns(text: str) -> int:
    """Return a number of days since 1899-12-30 as ns since 1970, to the microsecond that it can tell."""
    try:
        days = Decimal(text) if len(text) < 40 else Decimal("NaN")
    except InvalidOperation:
        days = Decimal("NaN")
    if not days.is_finite() or not 0 <= days < LATEST_DAYS:
        raise UnreadableError("the start time is not a number of days")
    return round((days - DAYS_TO_1970) * DAY_NS / 1000) * 1000


def _layout(columns: str) -> _Layout | None:
    """Return the layout that a `$COLUMNS` header gives; None if one that is needed is missing."""
    names = columns.split(",")
    place = {name: number for number, name in enumerate(names)}
    length = "l" if "l" in place else "L"
    if not {"O", "T", "I", "d", "D", length} <= place.keys() or names[-1] != "D":
        return None
    return _Layout(
        place["O"], place["T"], place.get("B", -1), place["I"], place["d"], place[length], place["D"],
        length_is_code=length == "L", types=_TYPES,
    )  # fmt: skip
