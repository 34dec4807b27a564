"""Outputs: chunks of frames to the SQLite file that python-can's reader knows, a row each."""

from __future__ import annotations

import os
from contextlib import closing
from typing import TYPE_CHECKING

from canmap.frames.capture_formats import SQLITE_COLUMNS, SQLITE_TABLE
from canmap.frames.chunks import FrameKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.frames.chunks import FrameChunk

NS = 1_000_000_000
CREATE = f"CREATE TABLE {SQLITE_TABLE} ({', '.join(map(' '.join, SQLITE_COLUMNS.items()))})"
INSERT = f"INSERT INTO {SQLITE_TABLE} VALUES ({', '.join('?' * len(SQLITE_COLUMNS))})"


def write_sqlite(path: str, chunks: Iterable[FrameChunk]) -> None:
    """Write frames as rows; stamps are floating-point seconds.

    Raises:
        OSError: The file cannot be written.
    """
    import sqlite3  # noqa: PLC0415 - whatever writes captures imports this module

    try:
        with closing(sqlite3.connect(os.fsencode(path))) as database, database:
            database.execute("PRAGMA journal_mode = OFF")  # what is not complete is thrown away as it is
            database.execute(CREATE)
            for chunk in chunks:
                database.executemany(INSERT, _rows(chunk))
    except sqlite3.Error as error:
        raise OSError(str(error)) from error


def _rows(chunk: FrameChunk) -> Iterator[tuple[float, int, bool, bool, bool, int, bytes]]:
    for i in range(len(chunk)):
        kind, length = int(chunk.kind[i]), int(chunk.length[i])
        yield (
            int(chunk.t_ns[i]) / NS,
            int(chunk.can_id[i]),
            bool(chunk.extended[i]),
            kind == FrameKind.REMOTE,
            kind == FrameKind.ERROR,
            length,
            b"" if kind == FrameKind.REMOTE else chunk.payload[i, :length].tobytes(),
        )
