"""MDF 4 bus logs, in every way in which recorders lay them out: written block by block, damaged, and cut."""

from __future__ import annotations

import struct
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import CaptureError
from canmap.frames.chunks import COLUMNS, FrameChunk, FrameKind, empty_chunk, widen
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read
from tests.mdffiles import LAYOUTS, NAMES, Layout

if TYPE_CHECKING:
    from pathlib import Path

US, MIB = 1000, 1 << 20


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mdf") / "a.mf4"


def ordered(frames: FrameChunk, layout: Layout) -> FrameChunk:
    """Return the frames as they are read: as they lie, or kinds that lie apart merged by stamps.

    Like several captures they are merged by the newest stamp of each so far; of equal ones data frames first.
    """
    if layout.shared:
        return frames
    newest = frames.t_ns.copy()
    for kind in FrameKind:
        mine = frames.kind == kind
        newest[mine] = np.maximum.accumulate(frames.t_ns[mine])
    return frames.take(np.lexsort((frames.kind, newest)))


def check_same(got: FrameChunk, expected: FrameChunk, step_ns: int) -> None:
    assert len(got) == len(expected)
    assert [got.channels[n] for n in got.channel] == [expected.channels[n] for n in expected.channel]
    late = expected.t_ns - got.t_ns
    assert ((late >= 0) & (late < max(step_ns, 1))).all()
    assert (widen(got.payload, 64) == expected.payload).all()
    for name in set(COLUMNS) - {"t_ns", "channel", "payload", "line"}:
        assert getattr(got, name).tolist() == getattr(expected, name).tolist(), name


@pytest.mark.parametrize("name", LAYOUTS)
@given(seed=st.integers(0, 2**32 - 1), count=st.integers(1, 120))
def test_every_layout(place: Path, name: str, seed: int, count: int) -> None:
    layout, frames = LAYOUTS[name], mixed(count, seed)
    place.write_bytes(layout.file(frames))
    got = read(place)
    check_same(got, ordered(frames, layout), layout.step_ns)
    assert got.line.tolist() == list(range(1, count + 1))
    assert [line.truncated for line in got.bad] == [True] * (not layout.closed)


@pytest.mark.parametrize("name", ["sorted", "transposed lists", "payloads apart", "payloads between"])
def test_more_than_is_read_at_once(place: Path, name: str) -> None:
    """Data of several MiB, in blocks of 700 bytes where they are in lists."""
    frames = mixed(20_000, 3)
    place.write_bytes(LAYOUTS[name].file(frames))
    assert place.stat().st_size > MIB // 2
    check_same(read(place), ordered(frames, LAYOUTS[name]), 0)


# asammdf takes the places of payloads as they stand, though the file says that they are still to come.
@pytest.mark.parametrize("name", [name for name, layout in LAYOUTS.items() if layout.placed])
def test_what_asammdf_reads_of_them(place: Path, name: str) -> None:
    """asammdf, a general library for MDF, takes the same fields out of the same files."""
    asammdf = pytest.importorskip("asammdf")
    layout, frames = LAYOUTS[name], mixed(300, 11)
    place.write_bytes(layout.file(frames))
    got, found = read(place), 0
    with asammdf.MDF(place, process_bus_logging=False) as log:
        for number, group in enumerate(log.groups):
            names = {channel.name for channel in group.channels}
            for kind in [kind for kind, event in NAMES.items() if event in names]:
                mine = got.take(got.kind == kind)
                fields = {
                    field.removeprefix(f"{NAMES[kind]}."): log.get(field, number, raw=True)
                    for field in names
                    if field.startswith(f"{NAMES[kind]}.")
                }
                check_fields(fields, mine, int(frames.t_ns[0]))
                found += len(mine)
    assert found == len(frames)


def check_fields(fields: dict[str, object], mine: FrameChunk, start_ns: int) -> None:
    values = {name: np.asarray(field.samples) for name, field in fields.items()}  # type: ignore[attr-defined]
    seconds = fields["ID"].timestamps  # type: ignore[attr-defined]
    assert np.abs(seconds * 1e9 - (mine.t_ns - start_ns)).max() < 0.5
    assert values["ID"].tolist() == mine.can_id.tolist()
    assert (values["Dir"] + 1).tolist() == (mine.flags >> 3).tolist()
    assert [str(bus) for bus in values["BusChannel"]] == [mine.channels[n] for n in mine.channel]
    if "DataLength" in values:
        assert values["DataLength"].tolist() == mine.length.tolist()
        assert (widen(values["DataBytes"].astype(np.uint8), 64) == widen(mine.payload, 64)).all()


# In a process of their own: python-can must have found asammdf when it was imported.
COMMON = """
import sys
import can
from canmap.frames.chunks import widen
from canmap.outputs.captures import writers as captures
from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed, read
path, frames = sys.argv[1], mixed(300)
def messages(chunk):
    return list(captures.messages(can, chunk, [t / 10**9 for t in chunk.t_ns.tolist()], (1, 2)))
def rows(messages):
    return sorted(
        (round(m.timestamp * 1e6), m.arbitration_id, m.is_extended_id, m.is_error_frame, m.is_remote_frame,
         m.is_fd, m.bitrate_switch, m.error_state_indicator, m.is_rx, m.dlc, m.channel, bytes(m.data))
        for m in messages
    )
"""
READ_THERE = """
with can.MF4Writer(path) as writer:
    for message in messages(frames):
        writer(message)
assert rows(messages(read(path))) == rows(messages(frames))
"""
WRITTEN_HERE = """
write_capture(path, [frames])
with can.MF4Reader(path) as reader:
    assert rows(reader) == rows(messages(frames))
"""


@pytest.mark.parametrize("rest", [READ_THERE, WRITTEN_HERE])
def test_python_can_and_canmap_read_each_other(tmp_path: Path, rest: str) -> None:
    pytest.importorskip("asammdf")
    command = [sys.executable, "-c", COMMON + rest, str(tmp_path / "a.mf4")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr


def read_or_reason(path: Path) -> tuple[FrameChunk, str]:
    try:
        return read(path), ""
    except CaptureError as error:
        return empty_chunk(), str(error)


@pytest.mark.parametrize("name", LAYOUTS)
def test_cut_at_every_block(place: Path, name: str) -> None:
    """What is read of a cut file is the beginning of each group of frames, and it says that it was cut."""
    layout, frames = LAYOUTS[name], mixed(60, 5)
    data = layout.file(frames)
    read_some = 0
    for end in range(100, len(data), 131):
        place.write_bytes(data[:end])
        got, reason = read_or_reason(place)
        if reason:
            assert "damaged" in reason or "no CAN bus log" in reason
            continue
        read_some += bool(len(got))
        assert got.bad[-1].truncated
        for kind in FrameKind:
            mine, whole = got.take(got.kind == kind), frames.take(frames.kind == kind)
            check_same(mine, whole.take(slice(0, len(mine))), layout.step_ns)
    assert read_some or layout.closed


def test_an_unfinished_file_is_read_to_its_last_record(place: Path) -> None:
    """A recorder that lost its supply: the file counts neither records nor bytes."""
    layout, frames = LAYOUTS["not closed"], mixed(60, 5)
    data = layout.file(frames)
    place.write_bytes(data[:-3])
    got = read(place)
    check_same(got, frames.take(slice(0, 59)), layout.step_ns)
    assert [line.reason for line in got.bad] == ["it ends before it should, in the middle of a record"]


# By ASAM MDF 4.1 (from memory) the first link of these blocks leads to the next of their kind.
@pytest.mark.parametrize("kind", [b"##DG", b"##CG", b"##CN", b"##DL"])
@pytest.mark.parametrize("back", ["to the first", "to itself"])
def test_links_that_lead_back(place: Path, kind: bytes, back: str) -> None:
    data = bytearray(Layout(listed=True).file(mixed(60, 5)))
    last, first = data.find(kind), data.rfind(kind)  # the blocks that lead on are written last
    to = first if back == "to the first" else last
    data[last + 24 : last + 32] = struct.pack("<Q", to)
    place.write_bytes(data)
    got, reason = read_or_reason(place)
    reasons = [reason, *(line.reason for line in got.bad)]
    assert f"a link leads back to the block at byte {to:,}" in " ".join(reasons)


def test_the_last_list_of_an_open_file(place: Path) -> None:
    """The recorder writes blocks of data one behind the other, and names them in a list once it is full."""
    frames = mixed(78, 5)  # in nine blocks, three in a list
    data = bytearray(Layout(shared=1, listed=True).file(frames))
    data[:8], data[60:62] = b"UnFinMF ", struct.pack("<H", 0x11)
    lists = [at for at in range(0, len(data), 8) if data[at : at + 4] == b"##DL"]
    assert [data[at + 16] for at in lists] == [4, 4, 4]  # links, with that to the next list
    last = lists[0]  # lists are written from the last on
    links = 24 + 8 * 2
    data[last + links : last + links + 16] = bytes(16)  # only its first block is named
    place.write_bytes(data)
    got = read(place)
    check_same(got, frames, 0)
    assert [line.truncated for line in got.bad] == [True]


def test_a_log_of_something_else(place: Path) -> None:
    data = LAYOUTS["sorted"].file(mixed(5)).replace(b"CAN_", b"LIN_")
    place.write_bytes(data)
    with pytest.raises(CaptureError, match="holds no CAN bus log"):
        read(place)


@pytest.mark.parametrize("seconds", [float("nan"), float("inf"), -1e300, 1e10])
def test_a_stamp_that_is_no_time(place: Path, seconds: float) -> None:
    """One damaged stamp costs one frame."""
    frames = mixed(60, 5)
    data = bytearray(Layout(shared=1).file(frames))
    # The data are the only block of their kind; after its header the first record follows its id.
    at = data.find(b"##DT") + 24 + 1
    data[at : at + 8] = struct.pack("<d", seconds)
    place.write_bytes(data)
    got = read(place)
    check_same(got, frames.take(slice(1, None)), 0)
    assert [line.reason for line in got.bad] == ["the stamp does not fit nanoseconds in 64 bits"]


def test_a_clock_whose_step_ns_cannot_tell(tmp_path: Path) -> None:
    """Its stamps are bad objects, but for those of 0; a step of 1e20 ns once ended the reading."""
    path = tmp_path / "drive.mf4"
    frames = mixed(20)
    write_capture(str(path), [frames])
    path.write_bytes(path.read_bytes().replace(struct.pack("<d", 1e-9), struct.pack("<d", 1e11), 1))
    chunk = read(path)
    assert set(chunk.t_ns.tolist()) == {int(frames.t_ns[0])}
    assert len(chunk) + chunk.bad_count == 20
    assert {bad.reason for bad in chunk.bad} == {"the stamp does not fit nanoseconds in 64 bits"}
