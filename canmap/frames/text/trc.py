"""Frames, TRC text: the lines of the trace format of versions 1.0, 1.1, 1.3, 2.0 and 2.1, to rows.

In: lines. Out: rows. The columns are described in the header comments of the captures themselves, of which
python-can's source package holds one per version. Stamps are milliseconds after the start that the header
gives in days since 1899-12-30, taken as UTC; version 1.0 gives none that can be read, so they count from
zero.
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.chunks import (
    FD_LENGTHS,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameKind,
)
from canmap.frames.batches import NS, UNNAMED_CHANNEL, checked
from canmap.frames.row import Row, UnreadableError
from canmap.frames.text.found import Found, error_frames
from canmap.frames.text.linewise import decimal_ns, hex_bytes, read_lines, whole_number

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

    from canmap.chunks import FrameChunk
    from canmap.frames.text.fields import Lines

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
_STATUS = {"ST", "EC", "EV", "Warng"}  # status, counters and events, which are no frames


class _Layout(NamedTuple):
    """Where the columns of a version stand; data come last. -1: the version has no such column."""

    offset: int
    type: int
    bus: int
    identifier: int
    direction: int
    length: int
    data: int
    length_is_code: bool

    @property
    def last_named(self) -> int:
        """The last of the columns that every event has."""
        return max(self.offset, self.type, self.bus)


# Before version 2 the type column says the direction, or what else the line is.
_LAYOUTS = {
    "1.0": _Layout(1, -1, -1, 2, -1, 3, 4, length_is_code=False),
    "1.1": _Layout(1, 2, -1, 3, 2, 4, 5, length_is_code=False),
    "1.3": _Layout(1, 3, 2, 4, 3, 6, 7, length_is_code=False),
}


def read_trc(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of a TRC capture."""
    return read_lines(name, stream, TrcLines())


class TrcLines:
    """The grammar, with what the header told."""

    commas = False

    def __init__(self) -> None:
        self._start_ns = 0
        self._layout: _Layout | None = _LAYOUTS["1.0"]
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
        error = np.zeros(len(some), np.bool_)
        if layout.type >= 0:
            kind = lines.field(some, layout.type)
            error = lines.are(kind, "ER") | lines.are(kind, "Error")
        parts = (
            (self._error_columns, some[error]),
            (self._frame_columns, some[~error & (lines.fields[some] >= layout.data)]),
        )
        return [read(lines, part, layout) for read, part in parts if len(part)]

    def _error_columns(self, lines: Lines, some: NDArray[np.intp], layout: _Layout) -> FrameChunk:
        t_ns, wrong = lines.decimal_ns(lines.field(some, layout.offset), MS, self._start_ns)
        channel = lines.field(some, layout.bus) if layout.bus >= 0 else None
        if channel is not None:
            wrong |= lines.decimal(channel)[1]
        return error_frames(some, wrong, t_ns, channel).chunk(lines)

    def _frame_columns(self, lines: Lines, some: NDArray[np.intp], layout: _Layout) -> FrameChunk:
        t_ns, wrong = lines.decimal_ns(lines.field(some, layout.offset), MS, self._start_ns)
        flags, odd = _flags(lines, some, layout)
        wrong |= odd
        channel = lines.field(some, layout.bus) if layout.bus >= 0 else None
        if channel is not None:
            wrong |= lines.decimal(channel)[1]
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
            self._layout = _LAYOUTS.get(value.strip())
            major = value.strip().partition(".")[0]
            self._trouble = (
                "the header does not name its columns"
                if major == "2"
                else f"version {value.strip()[:10]} of the format is not known"
            )
        elif key == ";$STARTTIME":
            self._start_ns = _days_ns(value.strip())
        elif key == ";$COLUMNS":
            self._layout = _layout(value.strip())
            self._trouble = "a column for the time, type, identifier, length or data is missing in the header"

    def _frame(self, fields: list[str], layout: _Layout) -> Row | None:
        if len(fields) <= layout.last_named:
            raise UnreadableError("the line ends before its identifier")
        kind_word = fields[layout.type] if layout.type >= 0 else "Rx"
        t_ns = self._start_ns + decimal_ns(fields[layout.offset], MS)
        channel = fields[layout.bus] if layout.bus >= 0 else UNNAMED_CHANNEL
        if kind_word in {"ER", "Error"}:
            return checked(Row(t_ns, channel, 0, False, FrameKind.ERROR, 0, 0, b""))
        if kind_word in _STATUS:
            return None
        if not (kind_word in _DIRECTIONS or kind_word in {"DT", "RR"} or kind_word in _FD_TYPES):
            raise UnreadableError(f"lines of type {kind_word[:10]} are not known")
        if len(fields) <= layout.length:
            raise UnreadableError("the line ends before its length")
        if layout.type < 0 and fields[layout.identifier].upper() == "FFFFFFFF":
            return None  # how version 1.0 writes a status line
        return self._told(t_ns, channel, fields, layout)

    def _told(self, t_ns: int, channel: str, fields: list[str], layout: _Layout) -> Row:
        word = fields[layout.type] if layout.type >= 0 else ""
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
        remote = word == "RR" or (len(data) == 1 and data[0] == "RTR")
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
    if layout.type < 0:
        return flags, np.zeros(len(some), np.bool_)
    kind = lines.field(some, layout.type)
    wrong = ~lines.are(kind, "DT")
    for word in (*_DIRECTIONS, "RR"):
        wrong &= ~lines.are(kind, word)
    if wrong.any():
        for word, flag in _FD_TYPES.items():
            fd = lines.are(kind, word)
            flags[fd] |= flag
            wrong &= ~fd
    return flags, wrong


def _remote(lines: Lines, some: NDArray[np.intp], layout: _Layout) -> NDArray[np.bool_]:
    """Return which lines are remote frames: by their type, or by RTR in place of data."""
    told = lines.fields[some] == layout.data + 1
    remote = told & lines.are(lines.field(some, np.where(told, layout.data, 0)), "RTR")
    if layout.type >= 0:
        remote |= lines.are(lines.field(some, layout.type), "RR")
    return np.asarray(remote)


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
    if not {"O", "T", "I", "D", length} <= place.keys() or names[-1] != "D":
        return None
    return _Layout(
        place["O"], place["T"], place.get("B", -1), place["I"], place.get("d", -1), place[length], place["D"],
        length_is_code=length == "L",
    )  # fmt: skip
