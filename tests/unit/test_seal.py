"""Our own Parquet of frames: an ordinary table for others, and a damaged one never reaches the library."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from typing import TYPE_CHECKING, Any

import pytest

from canmap.base.errors import CaptureError
from canmap.frames.capture_formats import TABLE_NUMBERS, TABLE_VERSION, TABLE_VERSION_KEY, TABLE_WORDS
from canmap.frames.seal import MARK, BrokenSealError, seal
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read

if TYPE_CHECKING:
    from pathlib import Path

polars = pytest.importorskip("polars")


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "drive.parquet"
    write_capture(str(path), [mixed(300)])
    return path


def test_others_read_it_as_a_table(capture: Path) -> None:
    frames = mixed(300)
    table = polars.read_parquet(capture)
    assert table.columns == [*TABLE_NUMBERS, "channel", *TABLE_WORDS]
    assert table["t_ns"].to_list() == frames.t_ns.tolist()
    assert table["channel"].cast(polars.String).to_list() == [frames.channels[n] for n in frames.channel]
    words = frames.payload.view("<u8")
    assert [table[word].to_list() for word in TABLE_WORDS] == words.T.tolist()
    scanned = polars.scan_parquet(capture).filter(polars.col("can_id") > 0x400).collect()
    assert len(scanned) == int((frames.can_id > 0x400).sum())


def test_arrow_reads_it_as_a_table(capture: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    assert parquet.read_table(capture)["t_ns"].to_pylist() == mixed(300).t_ns.tolist()


def test_the_checksum_is_that_of_all_other_bytes(capture: Path) -> None:
    """By the layout of Parquet (Apache Parquet format, "File Format") and CRC-32 as zlib has it."""
    data = capture.read_bytes()
    (length,) = struct.unpack("<I", data[-8:-4])
    footer = len(data) - 8 - length
    assert data[footer - 12 : footer - 4] == MARK
    (told,) = struct.unpack("<I", data[footer - 4 : footer])
    assert told == zlib.crc32(data[: footer - 12] + data[footer:])


def test_every_changed_bit_is_found(capture: Path) -> None:
    data = capture.read_bytes()
    places = [*range(4, len(data), 97), *range(len(data) - 60, len(data))]
    for place in places:
        capture.write_bytes(data[:place] + bytes([data[place] ^ 1 << place % 8]) + data[place + 1 :])
        with pytest.raises(CaptureError, match=r"is damaged .*; copy it again\.|holds no frames"):
            read(capture)


@pytest.mark.parametrize(("first", "last"), [(0, -1), (0, -9), (0, 12), (0, 5000), (100, None)])
def test_a_part_of_it_is_damaged(capture: Path, first: int, last: int | None) -> None:
    capture.write_bytes(b"PAR1"[: first * 4] + capture.read_bytes()[first:last])
    with pytest.raises(CaptureError, match=r"the Parquet file is damaged \(its .*\); copy it again\."):
        read(capture)


@pytest.mark.parametrize("metadata", [None, {TABLE_VERSION_KEY: "1"}, {TABLE_VERSION_KEY: TABLE_VERSION}])
def test_other_tables_are_refused(tmp_path: Path, metadata: dict[str, str] | None) -> None:
    path = tmp_path / "other.parquet"
    polars.DataFrame({"t_ns": [1, 2]}).write_parquet(path, metadata=metadata)
    with pytest.raises(CaptureError, match="holds no frames that canmap wrote"):
        read(path)
    if metadata != {TABLE_VERSION_KEY: TABLE_VERSION}:
        seal(str(path))
        with pytest.raises(CaptureError, match="holds no frames that canmap wrote"):
            read(path)


def sealed(path: Path, table: Any) -> None:
    table.write_parquet(path, metadata={TABLE_VERSION_KEY: TABLE_VERSION})
    seal(str(path))


@pytest.mark.parametrize(
    ("column", "values", "reason"),
    [
        ("t_ns", None, "has no column t_ns"),
        ("kind", [0, None, 1], "values missing"),
        ("kind", [0, 77, 1], "unknown kind"),
        ("kind", [0, -1, 1], "no column kind of uint8"),
        ("length", [8, 300, 8], "no column length of uint8"),
        ("t_ns", ["a", "b", "c"], "no column t_ns of int64"),
        ("can_id", [1.0, 2.0, float("nan")], "no column can_id of uint32"),
        ("channel", [None, "1", "1"], "values missing"),
        ("bytes_0_7", [1.5, 2.0, 3.0], "no column bytes_0_7 of uint64"),
        ("bytes_8_15", ["x", "y", "z"], "no column bytes_8_15 of uint64"),
        ("bytes_8_15", [None, 1, 2], "values missing"),
    ],
)
def test_a_table_of_other_values(
    tmp_path: Path, column: str, values: list[object] | None, reason: str
) -> None:
    """A sealed file of this version that holds something else: only another program can have written it."""
    path = tmp_path / "drive.parquet"
    write_capture(str(path), [mixed(3)])
    table = polars.read_parquet(path).with_columns(length=polars.lit(64, polars.UInt8))
    if values is None:
        table = table.drop(column)
    else:
        own = table.schema[column] if reason == "values missing" or 77 in values else None
        table = table.with_columns(polars.Series(column, values, own))
    sealed(path, table)
    with pytest.raises(CaptureError, match=reason) as caught:
        read(path)
    assert "\n" not in str(caught.value)


def test_only_parquet_is_sealed(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PAR1 is how it begins, and not how it ends")
    with pytest.raises(BrokenSealError, match="its end is missing"):
        seal(str(path))


def test_memory_is_flat_in_the_length_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "long.parquet"
    with path.open("wb") as file:
        file.truncate(1 << 28)
        file.seek(0)
        file.write(b"PAR1")
        file.seek(0, 2)
        file.write(struct.pack("<I4s", 0, b"PAR1"))
    program = (
        "import sys\nfrom canmap.frames.seal import check_seal, seal\n"
        "seal(sys.argv[1])\ncheck_seal(sys.argv[1])\n"
        "with open('/proc/self/status') as status:\n"
        "    print(next(int(line.split()[1]) for line in status if line.startswith('VmHWM')))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True, timeout=60
    )
    assert int(done.stdout) < 100_000  # KB
