"""Frames, SQLite files that end too early: what their header states, and a copy that ends with a whole page.

In: a path. Out: a path that the library can read, and what is missing. The library itself opens no file that
lacks whole pages, and takes what a last page lacks for zeros, so that frames would be made up.
"""

from __future__ import annotations

import contextlib
import struct
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.frames.binary.wholefile import copy_of, fits_a_copy
from canmap.frames.unread import cut_short

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.unread import Unread

# The header, all of it big-endian [The SQLite Database File Format, 1.3; sqlite.org/fileformat2.html].
HEADER = 100  # bytes
PAGE_SIZE = struct.Struct(">H")
PAGE_SIZE_AT = 16
LARGEST_PAGE = 65536  # bytes; stated as 1
NUMBER = struct.Struct(">I")
CHANGES_AT, PAGES_AT, STATED_AT = 24, 28, 92  # pages hold where the numbers of changes are equal
BESIDE = ("-journal", "-wal")  # what lies beside a file of which a part may still be in there


@contextlib.contextmanager
def whole_pages(name: str, path: str) -> Iterator[tuple[str, Unread | None]]:
    """Give the path of the file and None; of one that ends too early that of a copy, and what is missing.

    Raises:
        CaptureError: The copy cannot be written.
    """
    stated, page = _stated(path)
    size = Path(path).stat().st_size
    beside = any(Path(path + ending).exists() for ending in BESIDE)
    if size >= stated or beside:
        yield path, None
        return
    missing = cut_short(f"its header states {stated:,} bytes, but it has {size:,}")
    pages = size // page
    if not pages or not fits_a_copy(size):
        yield path, missing
        return
    with Path(path).open("rb") as file, copy_of(name, file, ".db") as copy:
        with Path(copy).open("r+b") as other:
            other.truncate(pages * page)
            other.seek(PAGES_AT)
            other.write(NUMBER.pack(pages))
        yield copy, missing


def _stated(path: str) -> tuple[int, int]:
    """Return how many bytes the header states, 0 where it does not, and of how many a page is."""
    with Path(path).open("rb") as file:
        header = file.read(HEADER)
    if len(header) < HEADER:
        return 0, 0
    changes, pages, stated = (NUMBER.unpack_from(header, at)[0] for at in (CHANGES_AT, PAGES_AT, STATED_AT))
    page = PAGE_SIZE.unpack_from(header, PAGE_SIZE_AT)[0]
    page = LARGEST_PAGE if page == 1 else page
    return (pages * page if changes == stated else 0), page
