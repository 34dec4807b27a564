"""Frames, the SQLite file that python-can writes: the rows of its table `messages` to chunks.

In: a file. Out: chunks; the line of a frame is the number of its row. Stamps are stored as floating-point
seconds: absolute ones (from 1e6 s on), of which a double can tell 0.24 us at best, are rounded to a
microsecond, small ones to a nanosecond.
"""

from __future__ import annotations

import sqlite3
from array import array
from contextlib import closing
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.errors import CaptureError, library_reason
from canmap.frames.batches import LATEST_NS, NS, ROWS, UNNAMED_CHANNEL, Batch
from canmap.frames.binary.gather import sifted
from canmap.frames.binary.sqlitepages import whole_pages
from canmap.frames.binary.wholefile import whole_file
from canmap.frames.capture_formats import SQLITE_COLUMNS, SQLITE_TABLE
from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH, FLAG_FD, FrameChunk, FrameKind, join
from canmap.frames.row import UnreadableError
from canmap.frames.source import MOST_BAD_LINES
from canmap.frames.text.csvrows import bare_row
from canmap.frames.unread import damaged

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

COARSE_FROM_S = 1e6  # stamps from here on are rounded to us, smaller ones to ns
LARGEST_SCHEMA = 1 << 16  # bytes of what describes a table
LARGEST_ROW = 1 << 12  # bytes; rows may share what they are made of, so that they may be more than the file
# What the library itself is not to exceed while it reads the schema.
LIMITS = {
    sqlite3.SQLITE_LIMIT_LENGTH: LARGEST_SCHEMA,
    sqlite3.SQLITE_LIMIT_SQL_LENGTH: LARGEST_SCHEMA,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 100,
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
}
STEPS = 100_000  # of the library's machine between two looks at how many it has taken
MOST_STEPS = 100  # times so many for the schema, or for some rows; those of a capture take two
FEW_ROWS = 64  # of which one is bad are read one by one
MOST_ROWS_ALONE = 50_000  # then the rest is no capture
LATEST_S = LATEST_NS / NS
# What reading raises where the file is damaged.
BROKEN = (sqlite3.Error, sqlite3.Warning, UnicodeDecodeError, OverflowError, MemoryError)


def read_sqlite(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of an SQLite capture.

    Raises:
        CaptureError: It is not one, or is damaged before its first frame.
    """
    with whole_file(name, stream, ".db") as given, whole_pages(name, given) as (path, missing):
        uri = Path(path).resolve().as_uri() + "?mode=ro"
        number = alone = 0
        try:
            with closing(sqlite3.connect(uri, uri=True, check_same_thread=False)) as database:
                for rows in _rows(name, database, _Budget(database)):
                    chunk, rows_alone = _chunk(name, rows, number)
                    yield chunk
                    number += len(rows)
                    alone += rows_alone
                    if alone > MOST_ROWS_ALONE:
                        raise sqlite3.DataError("there are too many damaged rows")
            ended = missing
        except BROKEN as error:
            if not number:
                reason = missing or library_reason(error)
                raise CaptureError(f"{name}: the SQLite file is damaged ({reason}); copy it again.") from None
            ended = missing or damaged(library_reason(error))
        if ended:
            batch = Batch(name)
            batch.add_bad(number + 1, ended)
            yield batch.chunk()


class _Budget:
    """Ends what the library does once it takes too many steps."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self._taken = 0
        database.set_progress_handler(self._is_spent, STEPS)

    def renew(self) -> None:
        """Begin to count anew."""
        self._taken = 0

    def _is_spent(self) -> bool:
        self._taken += 1
        return self._taken > MOST_STEPS


def _rows(name: str, database: sqlite3.Connection, budget: _Budget) -> Iterator[list[tuple[Any, ...]]]:
    for limit, most in LIMITS.items():
        database.setlimit(limit, most)
    for pragma in ("trusted_schema = OFF", "cell_size_check = ON", "mmap_size = 0"):
        database.execute(f"PRAGMA {pragma}")
    if not _is_plain(database):
        raise CaptureError(
            f"{name}: the SQLite file has no table {SQLITE_TABLE}; give one that a recorder wrote."
        )
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_ROW)
    cursor = database.execute(f"SELECT {', '.join(SQLITE_COLUMNS)} FROM {SQLITE_TABLE} ORDER BY rowid")
    rows: list[tuple[Any, ...]] = []
    try:
        while True:
            rows.extend(islice(cursor, ROWS))  # it keeps what came before a damaged row
            if not rows:
                break
            budget.renew()
            yield rows
            rows = []
    except BROKEN:
        if rows:
            yield rows
        raise


def _is_plain(database: sqlite3.Connection) -> bool:
    """Whether the frames are rows of a table that lies in the file: whatever else may compute without end.

    The library itself tells what it took the schema for: neither a view, nor a virtual table (both have no
    root page), and no column that is hidden or generated.
    """
    root = database.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (SQLITE_TABLE,)).fetchone()
    if root is None or not root[0]:
        return False
    types = {
        row[2] for row in database.execute("PRAGMA table_list") if row[:2] == ("main", SQLITE_TABLE)
    }  # from SQLite 3.37 on
    hidden = [row[6] for row in database.execute(f"PRAGMA table_xinfo({SQLITE_TABLE})")]
    return types <= {"table"} and bool(hidden) and not any(hidden)


def _chunk(name: str, rows: list[tuple[Any, ...]], before: int) -> tuple[FrameChunk, int]:
    """Return the rows as one chunk, and how many of them had to be read alone: those near a bad one."""
    parts, left, alone = [], [(0, len(rows))], 0
    while left:
        start, stop = left.pop()
        some = rows[start:stop]
        try:
            parts.append(_by_column(name, some, before + start))
        except (TypeError, ValueError, OverflowError, AttributeError):
            if len(some) > FEW_ROWS:
                middle = (start + stop) // 2
                left += [(middle, stop), (start, middle)]
            else:
                parts.append(_by_row(name, some, before + start))
                alone += len(some)
    chunk = join(parts)
    return replace(chunk, bad=chunk.bad[:MOST_BAD_LINES]), alone


def _by_column(name: str, rows: list[tuple[Any, ...]], before: int) -> FrameChunk:
    """Return the rows as one chunk.

    Raises:
        TypeError, ValueError, OverflowError, AttributeError: A value is not of its column's kind or range.
    """
    stamps, ids, extended, remote, error, lengths, data = zip(*rows, strict=True)
    length, is_remote, is_error = _bytes(lengths), _bytes(remote) != 0, _bytes(error) != 0
    kind = np.where(is_error, FrameKind.ERROR, np.where(is_remote, FrameKind.REMOTE, FrameKind.DATA))
    payload = [part or b"" for part in data]
    for i in np.flatnonzero(is_remote).tolist():
        payload[i] = b""
    if bytes(map(len, payload)) != np.where(is_remote, 0, length).astype(np.uint8).tobytes():
        raise ValueError
    width = CLASSIC_WIDTH if int(length.max()) <= CLASSIC_WIDTH else FD_WIDTH
    if not (length == width).all():
        payload = [part.ljust(width, b"\0") for part in payload]
    joined = b"".join(payload)
    if len(joined) != len(rows) * width:
        raise ValueError
    chunk = FrameChunk(
        channels=(UNNAMED_CHANNEL,),
        t_ns=_stamps(stamps),
        channel=np.zeros(len(rows), np.uint8),
        can_id=np.frombuffer(array("I", ids), np.uint32),
        extended=(_bytes(extended) != 0) & ~is_error,
        kind=kind.astype(np.uint8),
        flags=np.where((length > 8) & (kind == FrameKind.DATA), FLAG_FD, 0).astype(np.uint8),
        length=length,
        payload=np.frombuffer(joined, np.uint8).reshape(len(rows), width),
        line=np.arange(before + 1, before + 1 + len(rows)),
    )
    return sifted(chunk, name)


def _bytes(values: tuple[Any, ...]) -> NDArray[np.uint8]:
    """Return whole numbers of up to 255; raise ValueError or TypeError if one is none."""
    return np.frombuffer(bytes(values), np.uint8)


def _stamps(values: tuple[Any, ...]) -> NDArray[np.int64]:
    """Return seconds as ns.

    Raises:
        ValueError, TypeError: One is no time.
    """
    seconds = np.frombuffer(array("d", values), np.float64)
    if not (np.abs(seconds) < LATEST_S).all():
        raise ValueError
    whole = np.floor(seconds)
    part = seconds - whole  # exact
    fine = np.round(part * 1e9).astype(np.int64)
    coarse = np.round(part * 1e6).astype(np.int64) * 1000
    return whole.astype(np.int64) * NS + np.where(np.abs(seconds) < COARSE_FROM_S, fine, coarse)


def _by_row(name: str, rows: list[tuple[Any, ...]], before: int) -> FrameChunk:
    """Return the rows that are frames, and a bad line for each of the others."""
    batch = Batch(name)
    for number, row in enumerate(rows, before + 1):
        stamp, can_id, extended, remote, error, length, data = row
        try:
            if not isinstance(stamp, int | float) or not all(isinstance(value, int) for value in row[1:6]):
                raise UnreadableError("a value of the row is not a number")
            if not isinstance(data, bytes | None):
                raise UnreadableError("the payload of the row is not bytes")
            try:
                t_ns = int(_stamps((stamp,))[0])
            except ValueError:
                raise UnreadableError("the stamp is not a time") from None
            if can_id < 0 or length < 0:
                raise UnreadableError("the identifier or the length of the row is negative")
            batch.add(
                bare_row(t_ns, can_id, (bool(extended), bool(remote), bool(error)), length, data or b""),
                number,
            )
        except UnreadableError as reason:
            batch.add_bad(number, str(reason))
    return batch.chunk()
