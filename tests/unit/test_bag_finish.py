"""A bag that was cut off is made whole: the same messages, and it is said what was dropped."""

from __future__ import annotations

import fcntl
import os
import re
import tracemalloc
from typing import TYPE_CHECKING

import pytest
from mcap.reader import NonSeekingReader, SeekingReader
from mcap.records import Chunk, ChunkIndex, MessageIndex
from mcap.stream_reader import StreamReader
from mcap.writer import CompressionType, Writer
from rosbags.rosbag2 import Reader

from canmap.base.errors import CaptureError, OutputError
from canmap.outputs.bags.bagfinish import FinishedBag, finish_bag
from canmap.outputs.bags.sealing import Compression
from tests.baggroups import (
    START_NS,
    many,
    messages,
    read_rows,
    rows_of,
    steps_of,
    streamed_rows,
    summary_of,
    topic,
    write_bag,
)

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A whole bag of several chunks."""
    groups = many(400)
    return write_bag(tmp_path / "whole.mcap", [group.topic for group in groups], [groups], most_messages=60)


def finished(part: Path) -> tuple[FinishedBag, list[tuple[str, int, bytes]]]:
    """What became of a part, whose result every reader reads alike."""
    into = part.with_name("finished.mcap")
    told = finish_bag(str(part), str(into), overwrite=True)
    rows = read_rows(into, SeekingReader)
    assert read_rows(into, NonSeekingReader) == rows
    statistics = summary_of(into).statistics
    assert statistics is not None
    assert statistics.message_count == len(rows) == told.messages
    assert told.path == str(into)
    return told, rows


def ends_of(path: Path) -> list[tuple[int, type]]:
    """Where each record of a file ends, and of what kind it is."""
    with path.open("rb") as file:
        return [(file.tell(), type(one)) for one in StreamReader(file, emit_chunks=True).records]


def test_wherever_it_was_cut_off(tmp_path: Path, bag: Path) -> None:
    data, ends = bag.read_bytes(), ends_of(bag)
    wanted = read_rows(bag, NonSeekingReader)
    part = tmp_path / "a.mcap.part"
    first = ends[0][0]
    chunks = [end for end, kind in ends if kind is Chunk]
    assert len(chunks) == 7
    cuts = {
        *range(first, len(data) - 8, 977),
        *chunks,
        *(end - 1 for end in chunks),
        *(end + 1 for end in chunks),
    }
    for cut in sorted(cuts):
        part.write_bytes(data[:cut])
        told, rows = finished(part)
        complete = sum(end <= cut for end in chunks)
        assert rows == wanted[: 60 * complete] == streamed_rows(part)
        begin = max([end for end, _ in ends if end <= cut])
        assert told.damaged == 0
        if next(kind for end, kind in ends if end > cut) is Chunk:
            assert told.dropped_bytes == cut - begin


def test_what_is_finished_is_as_if_it_had_been_written(tmp_path: Path, bag: Path) -> None:
    data, ends = bag.read_bytes(), ends_of(bag)
    part = tmp_path / "a.mcap.part"
    part.write_bytes(data[: max(end for end, kind in ends if kind is MessageIndex)])
    finished(part)
    assert (tmp_path / "finished.mcap").read_bytes() == data
    with Reader(tmp_path / "finished.mcap") as rosbag:
        assert rosbag.message_count == 400


def test_only_the_summary_is_missing(tmp_path: Path, bag: Path) -> None:
    data, ends = bag.read_bytes(), ends_of(bag)
    part = tmp_path / "a.mcap.part"
    part.write_bytes(data[: max(end for end, kind in ends if kind is ChunkIndex) + 3])
    told, _ = finished(part)
    assert (tmp_path / "finished.mcap").read_bytes() == data
    assert (told.messages, told.dropped_bytes, told.damaged) == (400, 0, 0)
    assert part.exists()


@pytest.mark.parametrize("compression", CompressionType)
@pytest.mark.parametrize("chunking", [True, False])
def test_of_another_writer(tmp_path: Path, compression: CompressionType, chunking: bool) -> None:
    """mcap's own: schemas in chunks or messages outside of them, attachments, metadata in between."""
    path = tmp_path / "b.mcap"
    writer = Writer(str(path), chunk_size=2000, compression=compression, use_chunking=chunking)
    writer.start("ros2", "other")
    schema = writer.register_schema("std_msgs/msg/String", "ros2msg", b"string data")
    channel = writer.register_channel("/a", "cdr", schema)
    rows = [("/a", START_NS + 7 * i, bytes([i % 256]) * (i % 90)) for i in range(300)]
    for i, (_, stamp, data) in enumerate(rows):
        writer.add_message(channel, stamp, data, stamp)
        if i == 150:
            writer.add_attachment(5, 6, "note.txt", "text/plain", b"hello")
            writer.add_metadata("of_mine", {"a": "b"})
    writer.finish()
    part = tmp_path / "b.part"
    data = path.read_bytes()
    for length in (len(data) - 8, len(data) - 3000):
        part.write_bytes(data[:length])
        _, found = finished(part)
        assert found == rows[: len(found)] == streamed_rows(part)
        with (tmp_path / "finished.mcap").open("rb") as file:
            reader = SeekingReader(file)
            assert reader.get_header().library == "other"
            (attachment,) = reader.iter_attachments()
            (metadata,) = reader.iter_metadata()
        assert (attachment.name, attachment.data, metadata.metadata) == ("note.txt", b"hello", {"a": "b"})
        assert summary_of(tmp_path / "finished.mcap").chunk_indexes
    assert 0 < len(found) < 300


def test_zeros_behind_the_last_chunk_are_dropped(tmp_path: Path, bag: Path) -> None:
    """As file systems leave them when the power failed (common practice)."""
    ends = ends_of(bag)
    chunk = [end for end, kind in ends if kind is MessageIndex][15]
    part = tmp_path / "a.part"
    part.write_bytes(bag.read_bytes()[:chunk] + bytes(5000))
    told, rows = finished(part)
    assert (len(rows), told.dropped_bytes, told.damaged) == (120, 5000, 0)


def test_a_damaged_chunk_is_left_out_and_counted(tmp_path: Path, bag: Path) -> None:
    data, ends = bytearray(bag.read_bytes()), ends_of(bag)
    wanted = read_rows(bag, NonSeekingReader)
    part = tmp_path / "a.part"
    chunks = [end for end, kind in ends if kind is Chunk]
    for place in (chunks[1] - 1, chunks[1] - 200):
        damaged = data.copy()
        damaged[place] ^= 0x55
        part.write_bytes(damaged[: chunks[4]])
        told, rows = finished(part)
        assert (told.damaged, told.dropped_bytes) == (1, 0)
        assert rows == wanted[:60] + wanted[120:300]


def test_a_chunk_that_claims_to_be_huge_is_left_out(tmp_path: Path, bag: Path) -> None:
    data, ends = bytearray(bag.read_bytes()), ends_of(bag)
    first = next(i for i, (_, kind) in enumerate(ends) if kind is Chunk)
    size_at = ends[first - 1][0] + 9 + 16
    data[size_at : size_at + 8] = (1 << 50).to_bytes(8, "little")
    part = tmp_path / "a.part"
    part.write_bytes(data[: ends[first][0]])
    told, rows = finished(part)
    assert (rows, told.damaged) == ([], 1)


def test_messages_whose_channel_is_not_described_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "b.mcap"
    writer = Writer(str(path), chunk_size=500, compression=CompressionType.NONE)
    writer.start("ros2", "other")
    channel = writer.register_channel("/a", "cdr", 0)
    for i in range(40):
        writer.add_message(channel, i, b"x" * 20, i)
    writer.finish()
    data, ends = bytearray(path.read_bytes()), ends_of(path)
    chunks = [end for end, kind in ends if kind is Chunk]
    data[chunks[0] - 1] ^= 0xFF  # the chunk that describes the channel
    part = tmp_path / "b.part"
    part.write_bytes(data[: chunks[1]])
    told, rows = finished(part)
    assert (rows, told.damaged) == ([], 2)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "this is no MCAP file"),
        (b"\x89MCAP0", "this is no MCAP file"),
        (b"(1.0) can0 123#00\n" * 9, "this is no MCAP file"),
        (b"\x89MCAP0\r\n", "this file ends before its header is complete"),
        (b"\x89MCAP0\r\n\x01\x20\x00\x00\x00\x00\x00\x00\x00ro", "this file ends before its header"),
        (b"\x89MCAP0\r\n\x03" + bytes(8), "this file ends before its header"),
    ],
)
def test_what_cannot_be_finished_is_said(tmp_path: Path, content: bytes, said: str) -> None:
    part = tmp_path / "a.part"
    part.write_bytes(content)
    with pytest.raises(CaptureError, match=f"^{re.escape(str(part))}: {said}"):
        finish_bag(str(part), str(tmp_path / "b.mcap"))
    assert [path.name for path in tmp_path.iterdir()] == ["a.part"]


def test_a_whole_file_and_one_that_is_being_written_and_others_are_refused(tmp_path: Path, bag: Path) -> None:
    into = str(tmp_path / "b.mcap")
    with pytest.raises(CaptureError, match=r"whole\.mcap: this file is whole and needs no finishing"):
        finish_bag(str(bag), into)
    with pytest.raises(CaptureError, match="there is no such file"):
        finish_bag(str(tmp_path / "none"), into)
    with pytest.raises(CaptureError, match="this is a folder"):
        finish_bag(str(tmp_path), into)
    with pytest.raises(CaptureError, match="this is not an ordinary file"):
        finish_bag("/dev/null", into)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CaptureError, match="this is not an ordinary file"):
        finish_bag(str(tmp_path / "pipe"), into)
    part = tmp_path / "a.part"
    part.write_bytes(bag.read_bytes()[:-100])
    with part.open("rb") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(CaptureError, match=r"a\.part: this file is still being written"):
            finish_bag(str(part), into)
    with pytest.raises(OutputError, match="which is an input"):
        finish_bag(str(part), str(part), overwrite=True)
    with pytest.raises(OutputError, match=r"whole\.mcap exists"):
        finish_bag(str(part), str(bag))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.part", "pipe", "whole.mcap"]


def test_a_full_disk_is_a_sentence(tmp_path: Path, bag: Path) -> None:
    part = tmp_path / "a.part"
    part.write_bytes(bag.read_bytes()[:-100])
    with pytest.raises(OutputError, match=r"/dev/full cannot be written: no space left on device\."):
        finish_bag(str(part), "/dev/full")


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """A part of 20 MB, its chunks of 100 kB, in less than 3 MB."""
    group = messages(topic("a"), list(range(200)), [os.urandom(1000) * 100] * 200)
    steps = steps_of([group], range(0, 200, 50))
    bag = write_bag(
        tmp_path / "a.mcap", [group.topic], steps, full_bytes=1 << 16, compression=Compression.NONE
    )
    part = tmp_path / "a.part"
    part.write_bytes(bag.read_bytes()[:-100])
    assert part.stat().st_size > 19_000_000
    finish_bag(str(part), str(tmp_path / "first.mcap"))  # imports what is imported once
    tracemalloc.start()
    finish_bag(str(part), str(tmp_path / "b.mcap"))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 3_000_000
    wanted = rows_of([group], [group.topic])
    assert read_rows(tmp_path / "b.mcap", SeekingReader) == wanted
