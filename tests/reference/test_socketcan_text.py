"""SocketCAN text against the published format, a second reader and a recorded drive.

Sources: examples written to the grammar in the SocketCAN user-space header lib.h and the documentation of
the socketcan crate (`socketcan_text` in tests/data/published, field by field); python-can's reader for
classic and FD data frames, for which it is right; comma2k19 (H. Schafer et al., arXiv:1812.05752, 2018) for
the recorded drive.
"""

import gzip
import random
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.chunks import FLAG_BIT_RATE_SWITCH, FLAG_ERROR_PASSIVE, FLAG_FD, FrameKind, join
from canmap.frames.readers import open_captures
from canmap.frames.row import Row
from canmap.frames.text.line import parse_line
from tests.published import socketcan_text, table
from tests.textlogs import read_by_column, rows_of


def expected_frame(row: dict[str, str]) -> Row:
    kind = (
        FrameKind.ERROR
        if row["error"] == "1"
        else FrameKind.REMOTE
        if row["remote"] == "1"
        else FrameKind.DATA
    )
    flags = (
        FLAG_FD * int(row["fd"])
        | FLAG_BIT_RATE_SWITCH * int(row["bit_rate_switch"])
        | FLAG_ERROR_PASSIVE * int(row["error_passive"])
    )
    return Row(
        t_ns=int(row["sec"]) * 10**9 + int(row["usec"]) * 1000,
        channel=row["channel"],
        can_id=int(row["can_id_hex"], 16),
        extended=row["extended"] == "1",
        kind=kind,
        flags=flags,
        length=int(row["length"]),
        payload=bytes.fromhex(row["data_hex"]),
    )


def examples() -> list[dict[str, str]]:
    rows = table("socketcan_text")
    assert len(rows) == 15
    return rows


def test_examples_line_by_line() -> None:
    for row in examples():
        assert parse_line(row["line"].encode()) == expected_frame(row)


@pytest.mark.parametrize("times", [1, 40])  # often enough that lines are read by column
def test_examples_as_a_capture(times: int) -> None:
    text = socketcan_text()
    expected = [expected_frame(row) for row in examples()] * times
    rows = rows_of(read_by_column(text * times, [1 << 20]))
    assert [frame for _, frame in rows] == expected
    assert [number for number, _ in rows] == list(range(1, len(expected) + 1))


def test_examples_through_the_front_door(tmp_path: Path) -> None:
    path = tmp_path / "examples.log"
    path.write_bytes(socketcan_text())
    source = open_captures([str(path)])
    chunk = join(piece() for piece in source.pieces())
    source.close()
    assert [frame for _, frame in rows_of(chunk)] == [expected_frame(row) for row in examples()]
    assert chunk.bad_count == 0
    assert chunk.coverage is None


@pytest.mark.parametrize("times", [1, 40])
def test_error_frames_as_python_can_writes_them(tmp_path: Path, times: int) -> None:
    """The kernel gives every error frame 8 bytes; python-can's writer only those that it was given."""
    path = tmp_path / "a.log"
    given = (b"", bytes(8), b"\0\0\4")
    with can.CanutilsLogWriter(path) as writer:
        for number in range(3 * times):
            data = given[number % 3]
            writer(can.Message(1e-3 * number, is_error_frame=True, dlc=len(data), data=data, channel="can0"))
    rows = rows_of(read_by_column(path.read_bytes(), [1 << 20]))
    assert [(row.kind, row.can_id, row.payload) for _, row in rows] == [
        (FrameKind.ERROR, 0x80, data) for data in given
    ] * times


def as_text_frame(message: can.Message) -> Row:
    flags = FLAG_FD * message.is_fd | FLAG_BIT_RATE_SWITCH * message.bitrate_switch
    return Row(
        t_ns=round(message.timestamp * 1e6) * 1000,  # its float of seconds still tells microseconds apart
        channel=str(message.channel),
        can_id=message.arbitration_id,
        extended=message.is_extended_id,
        kind=FrameKind.DATA,
        flags=flags | FLAG_ERROR_PASSIVE * message.error_state_indicator,
        length=message.dlc,
        payload=bytes(message.data),
    )


@given(seed=st.integers(0, 2**40), count=st.integers(1, 60))
def test_data_frames_as_python_can_reads_them(
    seed: int, count: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    rng = random.Random(seed)
    lines = []
    for _ in range(count):
        identifier = rng.choice([f"{rng.randrange(2048):03X}", f"{rng.randrange(1 << 29):08X}"])
        size = rng.choice([*range(9), 12, 16, 20, 24, 32, 48, 64])
        mark = f"##{rng.randrange(4):X}" if size > 8 or rng.random() < 0.3 else "#"
        stamp = f"({rng.choice([0, 17, 1700000000]) + rng.randrange(9)}.{rng.randrange(10**6):06d})"
        lines.append(
            f"{stamp} {rng.choice(['can0', 'vcan1'])} {identifier}{mark}{rng.randbytes(size).hex().upper()}\n"
        )
    path = tmp_path_factory.mktemp("can") / "drive.log"
    path.write_text("".join(lines), encoding="utf-8")
    with can.CanutilsLogReader(path) as reader:
        theirs = [as_text_frame(message) for message in reader]
    assert [frame for _, frame in rows_of(read_by_column(path.read_bytes(), [1 << 20]))] == theirs


def test_recorded_drive_as_the_line_reader_reads_it(shared: Path) -> None:
    text = gzip.decompress((shared / "road-drive" / "frames.log.gz").read_bytes())
    source = open_captures([str(shared / "road-drive" / "frames.log.gz")])
    rows = rows_of(join(piece() for piece in source.pieces()))
    source.close()
    assert len(rows) == 49_404  # the number the recording's own description gives
    assert rows == [(number, parse_line(line)) for number, line in enumerate(text.splitlines(), 1)]
