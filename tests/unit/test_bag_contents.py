"""What a bag holds, as the readers of mcap and rosbags have it, and beside what mcap's own writer makes."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
from mcap.reader import NonSeekingReader, SeekingReader
from mcap.records import Channel, Chunk, ChunkIndex, DataEnd, Footer, Header, MessageIndex, Schema, Statistics
from mcap.stream_reader import StreamReader
from mcap.writer import CompressionType, Writer
from mcap_ros2.decoder import DecoderFactory
from rosbags.interfaces import Qos as RosbagsQos
from rosbags.interfaces import QosDurability, QosHistory, QosLiveliness, QosReliability, QosTime
from rosbags.rosbag2 import Reader

import canmap
from canmap.base.errors import ArgumentError, OutputError, UsageError
from canmap.outputs.bags.bagwriter import BagWriter
from canmap.outputs.bags.sealing import Compression
from canmap.topics.topic import Qos
from tests.baggroups import (
    ORIGIN,
    START_NS,
    many,
    messages,
    read_rows,
    rows_of,
    schema_of,
    steps_of,
    store,
    summary_of,
    topic,
    write_bag,
)

if TYPE_CHECKING:
    from pathlib import Path

# rmw/types.h: RMW_DURATION_INFINITE (from memory)
ENDLESS = QosTime(9223372036, 854775807)


def records_of(path: Path) -> list:
    """Every record of the file, chunks unopened, checksums verified."""
    with path.open("rb") as file:
        return list(StreamReader(file, emit_chunks=True, validate_crcs=True).records)


@pytest.mark.parametrize("compression", Compression)
def test_every_reader_reads_what_was_written(tmp_path: Path, compression: Compression) -> None:
    groups = many(3000)
    topics = [group.topic for group in groups]
    wanted = rows_of(groups, topics)
    bag = write_bag(
        tmp_path / "a.mcap", topics, steps_of(groups, [5, 700, 2500]),
        compression=compression, full_bytes=1 << 16,
    )  # fmt: skip
    for reader in (SeekingReader, NonSeekingReader):
        assert read_rows(bag, reader) == wanted
    with Reader(bag) as rosbag:
        found = [(one.topic, stamp_ns, data) for one, stamp_ns, data in rosbag.messages()]
        assert (rosbag.message_count, rosbag.start_time) == (3000, wanted[0][1])
        assert rosbag.end_time == wanted[-1][1] + 1
        assert {one.topic: one.msgcount for one in rosbag.connections} == {f"/t{i}": 375 for i in range(8)}
    assert found == wanted
    assert {one.compression for one in records_of(bag) if isinstance(one, Chunk)} == {compression.in_chunk}


def test_the_index_finds_a_topic_and_a_time(tmp_path: Path) -> None:
    groups = many(3000)
    topics = [group.topic for group in groups]
    bag = write_bag(tmp_path / "a.mcap", topics, [groups], full_bytes=1 << 16)
    from_ns, to_ns = START_NS + 100_000_000, START_NS + 150_000_000
    wanted = [row for row in rows_of(groups, topics) if row[0] == "/t3" and from_ns <= row[1] < to_ns]
    assert wanted
    with bag.open("rb") as file:
        found = SeekingReader(file).iter_messages(topics="/t3", starting_at=from_ns, ending_before=to_ns)
        assert [(channel.topic, one.log_time, one.data) for _, channel, one in found] == wanted


def test_messages_decode_by_the_schemas(tmp_path: Path) -> None:
    types = store().types
    twist, text = types["geometry_msgs/msg/TwistStamped"], types["std_msgs/msg/String"]
    header, time = types["std_msgs/msg/Header"], types["builtin_interfaces/msg/Time"]
    vector = types["geometry_msgs/msg/Vector3"]
    inner = types["geometry_msgs/msg/Twist"]
    moving = twist(header(time(1, 2), "base_link"), inner(vector(1.25, 0.0, 0.0), vector(0.0, 0.0, -0.5)))
    payloads = {
        twist: bytes(store().serialize_cdr(moving, twist.__msgtype__)),
        text: bytes(store().serialize_cdr(text("ready"), text.__msgtype__)),
    }
    topics = [topic("twist", twist.__msgtype__), topic("/said", text.__msgtype__)]
    groups = [
        messages(one, [number], [data])
        for number, (one, data) in enumerate(zip(topics, payloads.values(), strict=True))
    ]
    bag = write_bag(tmp_path / "a.mcap", topics, [groups])
    with bag.open("rb") as file:
        one, other = SeekingReader(file, decoder_factories=[DecoderFactory()]).iter_decoded_messages()
    assert (one.schema.name, one.schema.encoding) == ("geometry_msgs/msg/TwistStamped", "ros2msg")
    assert one.decoded_message.header.frame_id == "base_link"
    assert (one.decoded_message.twist.linear.x, one.decoded_message.twist.angular.z) == (1.25, -0.5)
    assert other.decoded_message.data == "ready"


def test_example_messages_are_stored_byte_by_byte(tmp_path: Path, shared: Path) -> None:
    """`reference/ros2_cdr_examples.json`: bytes of rosbags 0.11.9, read back with mcap-ros2-support 0.6.0."""
    examples = json.loads((shared / "reference" / "ros2_cdr_examples.json").read_text())["messages"]
    topics = [topic(f"a{number}", name) for number, name in enumerate(examples)]
    data = [bytes.fromhex(example["cdr_hex"]) for example in examples.values()]
    groups = [messages(one, [3], [payload]) for one, payload in zip(topics, data, strict=True)]
    bag = write_bag(tmp_path / "a.mcap", topics, [groups])
    assert [row[2] for row in read_rows(bag, NonSeekingReader)] == data
    with bag.open("rb") as file:
        decoded = list(SeekingReader(file, decoder_factories=[DecoderFactory()]).iter_decoded_messages())
    assert [one.schema.name for one in decoded] == list(examples)


def by_the_library(bag: Path, into: Path) -> Path:
    """The messages of a bag as mcap's own writer writes them, with its chunks cut in the same places."""
    summary = summary_of(bag)
    with bag.open("rb") as file:
        found = [message for _, _, message in SeekingReader(file).iter_messages(log_time_order=False)]
    writer = Writer(str(into), chunk_size=1 << 40, compression=CompressionType.LZ4)
    writer.start("ros2")
    for schema in summary.schemas.values():
        writer.register_schema(schema.name, schema.encoding, schema.data)
    for one in summary.channels.values():
        writer.register_channel(one.topic, one.message_encoding, one.schema_id, one.metadata)
    writer.add_metadata("canmap", {})
    rest = iter(found)
    for chunk in summary.chunk_indexes:
        per_entry = 16
        entries = chunk.message_index_length - 15 * len(chunk.message_index_offsets)
        for _ in range(entries // per_entry):
            one = next(rest)
            writer.add_message(one.channel_id, one.log_time, one.data, one.publish_time)
        writer.flush()
    assert next(rest, None) is None
    writer.finish()
    return into


def test_index_and_statistics_are_those_of_the_library(tmp_path: Path) -> None:
    groups = many(3000)
    bag = write_bag(tmp_path / "a.mcap", [group.topic for group in groups], [groups], full_bytes=1 << 16)
    ours, theirs = records_of(bag), records_of(by_the_library(bag, tmp_path / "b.mcap"))

    def kinds(records: list, kind: type) -> list:
        return [one for one in records if isinstance(one, kind)]

    assert kinds(ours, Statistics) == kinds(theirs, Statistics)
    assert kinds(ours, Schema)[:3] == kinds(theirs, Schema)
    assert kinds(ours, Channel)[:8] == kinds(theirs, Channel)
    # The library has schemas and channels in its first chunk: the others are the same, byte by byte.
    chunks = len(kinds(ours, Chunk))
    assert chunks > 10
    assert kinds(ours, Chunk)[1:] == kinds(theirs, Chunk)[1:]
    indexes = [
        {one.channel_id: one.records for one in kinds(all_of, MessageIndex)} for all_of in (ours, theirs)
    ]
    assert indexes[0] == indexes[1]
    for mine, other in zip(kinds(ours, ChunkIndex), kinds(theirs, ChunkIndex), strict=True):
        assert mine.message_start_time == other.message_start_time
        assert mine.message_end_time == other.message_end_time
        assert mine.message_index_length == other.message_index_length
        assert sorted(mine.message_index_offsets) == sorted(other.message_index_offsets)
        assert mine.compression == other.compression


def test_every_offset_of_the_index_leads_to_what_it_names(tmp_path: Path) -> None:
    groups = many(2000)
    bag = write_bag(tmp_path / "a.mcap", [group.topic for group in groups], [groups], full_bytes=1 << 16)
    summary = summary_of(bag)
    data = bag.read_bytes()
    for chunk in summary.chunk_indexes:
        assert data[chunk.chunk_start_offset] == 0x06
        for channel, offset in chunk.message_index_offsets.items():
            assert data[offset] == 0x07
            assert int.from_bytes(data[offset + 9 : offset + 11], "little") == channel
    (metadata,) = summary.metadata_indexes
    assert data[metadata.offset] == 0x0C
    assert data[metadata.offset + metadata.length] == 0x06


def test_what_the_file_says_of_itself(tmp_path: Path) -> None:
    one = topic("odom", "std_msgs/msg/String")
    bag = write_bag(tmp_path / "a.mcap", [one], [[messages(one, [0], [b"abc"])]], namespace="/cart")
    first, *records = records_of(bag)
    assert first == Header("ros2", f"canmap {canmap.__version__}")
    with bag.open("rb") as file:
        (said,) = SeekingReader(file).iter_metadata()
    summary = summary_of(bag)
    assert said.name == "canmap"
    assert said.metadata == {
        "spec": "specs/cart.yaml",
        "vehicle": "Orchard cart",
        "canmap": canmap.__version__,
        "captures": "morning.log\nnoon.log",
    }
    assert [channel.topic for channel in summary.channels.values()] == ["/cart/odom"]
    assert [channel.message_encoding for channel in summary.channels.values()] == ["cdr"]
    assert isinstance(records[-1], Footer)
    assert records[-1].summary_crc
    assert sum(isinstance(record, DataEnd) for record in records) == 1


def test_offered_qos_is_read_by_rosbags(tmp_path: Path) -> None:
    offered = Qos(reliable=False, transient_local=True, depth=3, deadline_ns=1_500_000_000)
    topics = [topic("a"), topic("b", qos=offered)]
    bag = write_bag(tmp_path / "a.mcap", topics, [])
    with Reader(bag) as rosbag:
        usual, other = (one.ext.offered_qos_profiles for one in rosbag.connections)
    rest = (ENDLESS, QosLiveliness.AUTOMATIC, ENDLESS, False)
    keep = QosHistory.KEEP_LAST
    assert usual == [RosbagsQos(keep, 10, QosReliability.RELIABLE, QosDurability.VOLATILE, ENDLESS, *rest)]
    assert other == [
        RosbagsQos(
            keep, 3, QosReliability.BEST_EFFORT, QosDurability.TRANSIENT_LOCAL, QosTime(1, 500_000_000), *rest
        )
    ]


def test_a_bag_without_messages_is_whole(tmp_path: Path) -> None:
    topics = [topic("a"), topic("b")]
    bag = write_bag(tmp_path / "a.mcap", topics, [[messages(topics[0], [], [])], []])
    summary = summary_of(bag)
    assert summary.statistics == Statistics(0, 2, {}, 0, 0, 0, 0, 1, 1)
    with Reader(bag) as rosbag:
        assert rosbag.message_count == 0


def test_messages_of_one_frame_are_in_the_order_of_the_topics(tmp_path: Path) -> None:
    topics = [topic("z"), topic("a"), topic("m")]
    groups = [messages(one, [4, 4, 9], [f"{one.name}{i}".encode() for i in range(3)]) for one in topics]
    bag = write_bag(tmp_path / "a.mcap", topics, [groups[::-1]])
    assert [row[2] for row in read_rows(bag, NonSeekingReader)] == [
        b"z0", b"z1", b"a0", b"a1", b"m0", b"m1", b"z2", b"a2", b"m2",
    ]  # fmt: skip


def test_a_chunk_is_full_by_messages_or_by_bytes(tmp_path: Path) -> None:
    one = topic("a")

    def counts(**limits: int) -> list[int]:
        group = messages(one, list(range(10)), [b"x" * 69] * 10)  # 100 bytes a record
        bag = write_bag(tmp_path / "a.mcap", [one], [[group]], **limits)
        return [len(record.records) for record in records_of(bag) if isinstance(record, MessageIndex)]

    assert counts(most_messages=4) == [4, 4, 2]
    assert counts(full_bytes=300) == [3, 3, 3, 1]
    assert counts(full_bytes=301) == [4, 4, 2]
    assert counts(full_bytes=1) == [1] * 10
    assert counts() == [10]


def test_a_stamp_before_1970_is_refused(tmp_path: Path) -> None:
    one = topic("a")
    writer = BagWriter(str(tmp_path / "a.mcap"), [one], schema_of, ORIGIN)
    with pytest.raises(OutputError, match=r"a\.mcap cannot be written: frame 7 is stamped -1 ns, before"):
        writer.write([messages(one, [6, 7], [b"", b""], [0, -1])])
    writer.close(whole=False)
    assert list(tmp_path.iterdir()) == []


def test_what_a_program_does_wrong_is_said(tmp_path: Path) -> None:
    one, path = topic("a"), str(tmp_path / "a.mcap")
    with pytest.raises(ArgumentError, match="Two topics would be called /a;"):
        BagWriter(path, [one, topic("/a")], schema_of, ORIGIN)
    with pytest.raises(ArgumentError, match="a b is not a namespace"):
        BagWriter(path, [one], schema_of, ORIGIN, namespace="a b")
    writer = BagWriter(path, [one], schema_of, ORIGIN)
    with pytest.raises(ArgumentError, match="topic b is none of the bag's"):
        writer.write([messages(topic("b"), [0], [b""])])
    writer.write([messages(one, [3, 5], [b"", b""])])
    with pytest.raises(ArgumentError, match="messages of 2000006 ns come after those of 3000009 ns"):
        writer.write([messages(one, [2], [b""])])
    writer.close(whole=False, keep=False)
    assert list(tmp_path.iterdir()) == []


def test_the_absent_library_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mcap.records", None)
    with pytest.raises(UsageError, match=r"pip install 'canmap\[bags\]'"):
        BagWriter(str(tmp_path / "a.mcap"), [topic("a")], schema_of, ORIGIN)
    assert list(tmp_path.iterdir()) == []


def test_payloads_of_a_view_with_gaps(tmp_path: Path) -> None:
    one = topic("a")
    group = messages(one, [0, 1], [b"abc", b"defgh"])
    wide = np.zeros((8, 2), np.uint8)
    wide[:, 0] = group.payloads.data
    group = type(group)(
        one,
        group.frame,
        group.clock_ns,
        group.stamp_ns,
        type(group.payloads)(wide[:, 0], group.payloads.start),
    )
    bag = write_bag(tmp_path / "a.mcap", [one], [[group]])
    assert [row[2] for row in read_rows(bag, NonSeekingReader)] == [b"abc", b"defgh"]
