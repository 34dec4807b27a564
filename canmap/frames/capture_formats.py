"""The capture formats: what each can hold, read and written, and which extra it needs.

This table is what `canmap formats` prints and what the format tests assert of every reader and writer.
"""

from __future__ import annotations

import re
from dataclasses import replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable

# What the files of binary formats begin with.
BLF_MAGIC = b"LOGG"
SQLITE_MAGIC = b"SQLite format 3\0"
MDF_FINISHED, MDF_UNFINISHED = b"MDF     ", b"UnFinMF "  # by whether the recorder closed it
# Byte order, and ns of one step of the fraction; what is written is the last.
PCAP_MAGICS = {
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"  # a section header, the same in both byte orders
PARQUET_MAGIC = b"PAR1"

US = 1000
MOST_NUMBER = 999_999_999  # of a channel
MOST_NAME = 1000  # bytes of a channel's name


class Channels(StrEnum):
    """How a format tells which channel a frame was on."""

    NAMES = "names"
    NUMBERS = "numbers"  # the name of the channel is the number as it is written
    ONE = "none stated"  # every frame is on channel "1"


class Errors(StrEnum):
    """What a format tells of an error frame."""

    CLASS = "class"  # the class bits and the detail bytes of SocketCAN
    MARKED = "marked"  # only that there was one
    NONE = "no"


class Fd(StrEnum):
    """What a format tells of an FD frame."""

    FULL = "yes"
    LONG = "over 8 bytes"  # no flag: only a payload of more than 8 bytes shows one
    NONE = "no"


@dataclass(frozen=True, slots=True)
class Holds:
    """What comes back of a frame.

    Attributes:
        stamp_ns: A stamp comes back closer to the true one than this; 1: exactly.
        channels: What is stated of the channel.
        errors: What is stated of an error frame.
        fd: What is stated of an FD frame.
        remote: Whether there are remote frames; they keep the length they ask for.
        direction: Whether received and sent are distinguished.
    """

    stamp_ns: int
    channels: Channels
    errors: Errors
    fd: Fd
    remote: bool
    direction: bool


@dataclass(frozen=True, slots=True)
class Format:
    """A capture format.

    Attributes:
        ending: Of the file's name, with its dot.
        name: What it is called in messages.
        reads: What is read of it.
        writes: What is written of it.
        note: What else is worth knowing: clock, losses.
        extra: The extra that brings the library it needs; empty if it needs none.
        magic: What such files begin with; empty for text.
        line: What some line of such a text begins with, and no line of another format; None for binary ones.
        most_channel: The largest number of a channel that is written, where channels are numbers.
    """

    ending: str
    name: str
    reads: Holds
    writes: Holds
    note: str = ""
    extra: str = ""
    magic: tuple[bytes, ...] = ()
    line: re.Pattern[bytes] | None = None
    most_channel: int = MOST_NUMBER


def channel_number(name: str) -> int:
    """Return the number of a channel where a format knows no names, from 1: that of `can0` is 1.

    It is the name itself if that is a number, else the digits that end it and one more; `MOST_NUMBER` + 1 if
    there are more of them than any format holds.
    """
    digits = name[len(name.rstrip("0123456789")) :]
    if len(digits.lstrip("0")) > len(str(MOST_NUMBER)):
        return MOST_NUMBER + 1
    return max(int(digits), 1) if name and digits == name else int(digits or "0") + 1


def written_channels(names: Iterable[str], ending: str) -> dict[str, str]:
    """Return what each channel is called in a capture with this ending; several may be called the same."""
    kept = BY_ENDING[ending].writes.channels
    if kept is Channels.NAMES:
        return {name: name for name in names}
    return {name: str(channel_number(name)) if kept is Channels.NUMBERS else "1" for name in names}


def holds_errors(ending: str) -> bool:
    """Return whether error frames are written to a capture with this ending, which some format has."""
    return BY_ENDING[ending].writes.errors is not Errors.NONE


_EXACT = Holds(1, Channels.NAMES, Errors.CLASS, Fd.FULL, remote=True, direction=True)
_ROWS = Holds(US, Channels.ONE, Errors.CLASS, Fd.LONG, remote=True, direction=False)
_CSV = replace(_ROWS, stamp_ns=1)
_PCAP = Holds(1, Channels.ONE, Errors.CLASS, Fd.FULL, remote=True, direction=False)

FORMATS = (
    Format(
        ".log",
        "SocketCAN text",
        _EXACT,
        _EXACT,
        "stamps from 0 s on; error frames get 8 bytes",
        line=re.compile(rb"\(\d+\.\d+\)[ \t]"),
    ),
    Format(
        ".asc",
        "ASC text",
        Holds(1, Channels.NUMBERS, Errors.MARKED, Fd.FULL, remote=True, direction=True),
        Holds(US, Channels.NUMBERS, Errors.MARKED, Fd.FULL, remote=True, direction=True),
        "the start is a local time, written in whole seconds, without its zone; nothing is before it; "
        "stamps that the header calls relative are read as absolute ones, as python-can reads them",
        line=re.compile(rb"(?i:date\s+\w+\s|base\s+(hex|dec)\b)|\d+\.\d+\s+(\d+\s+\w+\s+[RTrt]x\s|CANFD\s)"),
    ),
    Format(
        ".blf",
        "BLF binary log",
        Holds(1, Channels.NUMBERS, Errors.CLASS, Fd.FULL, remote=True, direction=True),
        Holds(1, Channels.NUMBERS, Errors.CLASS, Fd.FULL, remote=True, direction=True),
        "the class of an error frame only where no controller's code is given, and never its direction; "
        "written from the whole second of the first frame on, exactly for 26 days; "
        "a start before 1990 is written as zero",
        magic=(BLF_MAGIC,),
        most_channel=65_535,
    ),
    Format(
        ".csv",
        "python-can CSV",
        _CSV,
        _CSV,
        "stamps as they are written",
        line=re.compile(rb"timestamp,arbitration_id,|-?[\d.]+(e[-+]?\d+)?,0x[0-9A-Fa-f]+,[01],"),
    ),
    Format(
        ".trc",
        "TRC text",
        Holds(1, Channels.NUMBERS, Errors.NONE, Fd.FULL, remote=True, direction=True),
        Holds(US, Channels.NUMBERS, Errors.NONE, Fd.NONE, remote=False, direction=True),
        "the start in days, to 1 us, taken as UTC; version 1.0 counts from zero; error frames are not stated",
        line=re.compile(rb";\$|;#{8}"),
    ),
    Format(
        ".db",
        "python-can SQLite",
        _ROWS,
        _ROWS,
        "stamps are floating-point seconds, rounded to 1 us",
        magic=(SQLITE_MAGIC,),
    ),
    Format(
        ".mf4",
        "MDF 4 bus log",
        Holds(1, Channels.NUMBERS, Errors.CLASS, Fd.FULL, remote=True, direction=True),
        Holds(1, Channels.NUMBERS, Errors.CLASS, Fd.FULL, remote=True, direction=True),
        "separate groups of frames are merged by stamp; frames without a direction are written as received",
        most_channel=255,
        magic=(MDF_FINISHED, MDF_UNFINISHED),
    ),
    Format(
        ".pcap",
        "packet capture",
        _PCAP,
        _PCAP,
        "link type 227; stamps from 0 s on",
        magic=tuple(PCAP_MAGICS),
    ),
    Format(
        ".pcapng",
        "packet capture, next generation",
        _EXACT,
        _EXACT,
        "link type 227; stamps from 0 s on",
        magic=(PCAPNG_MAGIC,),
    ),
    Format(
        ".parquet",
        "canmap's table of frames",
        _EXACT,
        _EXACT,
        "every column, under a checksum; lines that could not be read are not kept",
        extra="tables",
        magic=(PARQUET_MAGIC,),
    ),
)
BY_ENDING = {one.ending: one for one in FORMATS}

# The table of frames of an SQLite capture, and its columns with their types.
SQLITE_TABLE = "messages"
SQLITE_COLUMNS = {
    "ts": "REAL",
    "arbitration_id": "INTEGER",
    "extended": "INTEGER",
    "remote": "INTEGER",
    "error": "INTEGER",
    "dlc": "INTEGER",
    "data": "BLOB",
}

# The columns of canmap's table of frames, beside `channel`, the channel's name as a category. A checksum of
# the file stands before its footer, see `canmap.frames.seal`.
TABLE_NUMBERS = {
    "t_ns": np.int64,
    "can_id": np.uint32,
    "extended": np.bool_,
    "kind": np.uint8,
    "flags": np.uint8,
    "length": np.uint8,
    "line": np.int64,
}
TABLE_WORDS = tuple(f"bytes_{first}_{first + 7}" for first in range(0, 64, 8))  # uint64, little endian
TABLE_VERSION_KEY, TABLE_VERSION = "canmap.frames", "2"
TABLE_ROWS = 1 << 18  # frames of a row group
