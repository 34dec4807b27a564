"""SQLite captures whose schema computes: refused by what the library takes it for, and soon."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import CaptureError
from canmap.frames.binary import sqlite
from canmap.outputs.captures.sqlitefile import CREATE
from tests.captures import read

if TYPE_CHECKING:
    from pathlib import Path

PLAIN = "ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, data BLOB"
SLOW = "(8+instr(hex(zeroblob(20000))||arbitration_id, hex(zeroblob(10000))||'x'))"
ROW = "INSERT INTO messages (ts, arbitration_id, extended, remote, error, data) VALUES (1.5, 1, 0, 0, 0, x'')"
ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"
SCHEMAS = {
    "generated": f"CREATE TABLE messages ({PLAIN}, dlc INTEGER AS {SLOW})",
    "generated and stored": f"CREATE TABLE messages ({PLAIN}, dlc INTEGER AS {SLOW} STORED)",
    "generated in words": f"CREATE TABLE messages ({PLAIN}, dlc GENERATED ALWAYS AS {SLOW} VIRTUAL)",
    "a view": f"CREATE VIEW messages AS {ENDLESS} SELECT i ts, 1 arbitration_id, 0 extended, 0 remote, "
    "0 error, 0 dlc, x'' data FROM n WHERE i < 0",
    "a virtual table": "CREATE VIRTUAL TABLE messages USING fts5(ts, arbitration_id, extended, remote, "
    "error, dlc, data)",
    "another table": "CREATE TABLE other (ts REAL)",
}


def file_of(path: Path, *statements: str) -> Path:
    with closing(sqlite3.connect(path)) as database, database:
        for statement in statements:
            database.execute(statement)
    return path


@pytest.mark.parametrize("schema", SCHEMAS)
def test_only_the_rows_of_a_plain_table_are_read(tmp_path: Path, schema: str) -> None:
    rows = [ROW] * 20 if schema.startswith("generated") else []
    path = file_of(tmp_path / "drive.db", SCHEMAS[schema], *rows)
    began = time.perf_counter()
    with pytest.raises(CaptureError, match="has no table messages"):
        read(path)
    assert time.perf_counter() - began < 5


def test_a_view_that_is_entered_as_a_table_is_none(tmp_path: Path) -> None:
    path = file_of(tmp_path / "drive.db", CREATE)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("PRAGMA writable_schema = ON")
        database.execute("UPDATE sqlite_master SET sql = ?", (SCHEMAS["a view"],))
    with pytest.raises(CaptureError):
        read(path)


def test_work_without_end_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Were a view to pass for a table, the library's own count of steps would end it."""
    monkeypatch.setattr(sqlite, "_is_plain", lambda _database: True)
    view = SCHEMAS["a view"]
    path = file_of(tmp_path / "drive.db", f"{view.replace('SELECT i ts', 'SELECT i rowid, i ts')}")
    with pytest.raises(CaptureError, match="interrupted"):
        read(path)


def test_a_row_larger_than_any_frame_ends_the_reading(tmp_path: Path) -> None:
    values = "INSERT INTO messages VALUES (?, 1, 0, 0, 0, 8, ?)"
    path = file_of(tmp_path / "drive.db", CREATE)
    with closing(sqlite3.connect(path)) as database, database:
        database.executemany(values, [(1.5, bytes(8))] * 9000 + [(1.5, bytes(5000))])
    chunk = read(path)
    assert len(chunk) in {8999, 9000}  # Python's module looks one row ahead
    assert [bad.reason for bad in chunk.bad] == [
        "the data cannot be read from here on (string or blob too big)"
    ]
