"""SQLite captures that end too early, by what the header states; the SQLite library writes and counts."""

from __future__ import annotations

import gzip
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import CaptureError
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read

if TYPE_CHECKING:
    from pathlib import Path

FRAMES = 9500
CUTS = {"a byte": 1, "a part of a page": 2500, "a page": 4096, "a hundredth": 0.01, "a half": 0.5}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cut") / "whole.db"
    write_capture(str(path), [mixed(FRAMES)])
    return path


def counted(path: Path) -> int:
    """Bytes of the file, as the library counts them."""
    with closing(sqlite3.connect(path)) as database:
        pages, size = (
            database.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size")
        )
    return int(pages * size)


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("cut", CUTS)
def test_what_is_there_is_read_and_what_is_missing_told(
    tmp_path: Path, written: Path, cut: str, packed: bool
) -> None:
    whole, data = read(written), written.read_bytes()
    left = len(data) - (int(CUTS[cut] * len(data)) if CUTS[cut] < 1 else int(CUTS[cut]))
    path = tmp_path / ("cut.db.gz" if packed else "cut.db")
    path.write_bytes(gzip.compress(data[:left]) if packed else data[:left])
    found = read(path)
    (bad,) = found.bad
    assert bad.truncated
    assert bad.text == (
        f"{path} ends before it should: its header states {counted(written):,} bytes, but it has {left:,}."
    )
    assert left / len(data) - 0.03 < len(found) / FRAMES < 1
    for name in ("t_ns", "can_id", "kind", "length"):
        np.testing.assert_array_equal(getattr(found, name), getattr(whole, name)[: len(found)])
    assert (found.payload == whole.payload[: len(found)]).all()


def test_the_file_itself_stays_as_it_is(tmp_path: Path, written: Path) -> None:
    path = tmp_path / "cut.db"
    path.write_bytes(written.read_bytes()[:-1])
    before = path.read_bytes()
    read(path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_of_less_than_a_page_says_why_nothing_is_read(tmp_path: Path, written: Path) -> None:
    path = tmp_path / "cut.db"
    path.write_bytes(written.read_bytes()[:3000])
    with pytest.raises(
        CaptureError, match=r"damaged \(it ends before it should: its header states .*3,000\)"
    ):
        read(path)


@pytest.mark.parametrize("change", ["the counts of changes differ", "a log lies beside it"])
def test_where_the_header_does_not_hold_the_library_decides(
    tmp_path: Path, written: Path, change: str
) -> None:
    """The number of pages holds where bytes 24 to 27 and 92 to 95 are equal [SQLite file format, 1.3.8]."""
    data = bytearray(written.read_bytes())
    path = tmp_path / "drive.db"
    if change == "a log lies beside it":
        (tmp_path / "drive.db-wal").touch()
        path.write_bytes(data[:-4096])
        with pytest.raises(CaptureError, match="malformed"):
            read(path)
        return
    data[28:32] = b"\0\0\xff\xff"
    data[92:96] = b"\0\0\0\0"
    path.write_bytes(data)
    found = read(path)
    assert (len(found), found.bad) == (len(read(written)), ())


def test_rows_before_a_damaged_page_are_read(tmp_path: Path, written: Path) -> None:
    """The last page of a file that has all of its bytes; all rows but those of that page and one are read."""
    data = bytearray(written.read_bytes())
    data[-4096:] = b"\xff" * 4096
    path = tmp_path / "drive.db"
    path.write_bytes(data)
    found = read(path)
    assert [bad.truncated for bad in found.bad] == [False]
    assert 0.95 * FRAMES < len(found) < FRAMES
