"""The seal of our own Parquet of frames: a checksum of all of it, looked at before anything else reads it.

In: the path of a Parquet file. Out: the file with its seal, or whether the seal holds. A library may do
anything with a damaged file, even end the program; no damaged file gets to it.

The seal is 12 bytes between the last page and the footer, where readers of Parquet never look: they find the
footer from the end of the file, and everything else from the footer. It holds a mark of 8 bytes and the
CRC-32 of all other bytes of the file, from first to last, as uint32, little endian. The end of a Parquet
file is its footer, the footer's length as uint32, little endian, and `PAR1`.
"""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from canmap.frames.capture_formats import PARQUET_MAGIC as _MAGIC

if TYPE_CHECKING:
    from collections.abc import Iterator

MARK = b"\xf7canmap\n"
STEP = 1 << 20  # bytes read at once
_END = struct.Struct("<I4s")  # length of the footer, magic
_SUM = struct.Struct("<I")
_SEAL_SIZE = len(MARK) + _SUM.size


class NoSealError(Exception):
    """A Parquet file that has no seal: it was not written here."""


class BrokenSealError(Exception):
    """A file that is not as it was written; the text says how."""


class _Layout(NamedTuple):
    """Places in a Parquet file, in bytes from its beginning."""

    footer: int
    size: int


def seal(path: str) -> None:
    """Put the seal into a Parquet file that was just written.

    Raises:
        OSError: The file cannot be read or written.
        BrokenSealError: It is no Parquet file.
    """
    with Path(path).open("r+b") as file:
        layout = _layout(file)
        checksum = 0
        for data in _span(file, 0, layout.footer):
            checksum = zlib.crc32(data, checksum)
        footer = file.read()
        file.seek(layout.footer)
        file.write(MARK + _SUM.pack(zlib.crc32(footer, checksum)) + footer)


def check_seal(path: str) -> None:
    """Compare a Parquet file with its seal, in one pass and a few MB of memory.

    Raises:
        OSError: The file cannot be read.
        NoSealError: It has none.
        BrokenSealError: It is cut or damaged.
    """
    with Path(path).open("rb") as file:
        layout = _layout(file)
        place = layout.footer - _SEAL_SIZE
        file.seek(max(place, 0))
        found = file.read(_SEAL_SIZE)
        if place < len(_MAGIC) or not found.startswith(MARK):
            raise NoSealError
        checksum = 0
        for first, last in ((0, place), (layout.footer, layout.size)):
            for data in _span(file, first, last):
                checksum = zlib.crc32(data, checksum)
        if found != MARK + _SUM.pack(checksum):
            raise BrokenSealError("its checksum is another")


def _layout(file: BinaryIO) -> _Layout:
    """Find the footer from the end of the file."""
    size = file.seek(0, os.SEEK_END)
    if size < len(_MAGIC) + _END.size:
        raise BrokenSealError("its end is missing")
    file.seek(size - _END.size)
    length, magic = _END.unpack(file.read(_END.size))
    if magic != _MAGIC:
        raise BrokenSealError("its end is missing")
    footer = size - _END.size - length
    if footer < len(_MAGIC):
        raise BrokenSealError("its footer is longer than the file")
    return _Layout(footer, size)


def _span(file: BinaryIO, first: int, last: int) -> Iterator[bytes]:
    """Yield the bytes from `first` up to `last`."""
    file.seek(first)
    while first < last and (data := file.read(min(STEP, last - first))):
        first += len(data)
        yield data
