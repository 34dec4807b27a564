"""Messages of topics for tests of bags, made many at once or row by row, cut into steps, and read back."""

from __future__ import annotations

import struct
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from mcap.exceptions import EndOfFile
from mcap.reader import NonSeekingReader, SeekingReader
from zstandard import ZstdError

from canmap.outputs.bags.bagchannels import BagOrigin
from canmap.outputs.bags.bagwriter import BagWriter
from canmap.topics.definitions import MessageType
from canmap.topics.topic import MessageForm, Qos, Topic
from canmap.topics.topic_messages import Payloads, TopicMessages

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from mcap.reader import McapReader
    from mcap.summary import Summary
    from rosbags.typesys.store import Typestore

START_NS = 1_700_000_000 * 1_000_000_000
ORIGIN = BagOrigin("specs/cart.yaml", "Orchard cart", ("runs/morning.log", "noon.log"))
TYPES = ("std_msgs/msg/String", "geometry_msgs/msg/TwistStamped", "std_msgs/msg/UInt8MultiArray")


def topic(name: str, type_name: str = TYPES[0], qos: Qos | None = None) -> Topic:
    """A topic of a standard type."""
    return Topic(name=name, type=MessageType(type_name, (), ""), form=MessageForm.OWN, qos=qos or Qos())


@cache
def store() -> Typestore:
    """The standard types, as rosbags has them, and the commands of a car-like vehicle."""
    from rosbags.typesys import Stores, get_types_from_msg, get_typestore

    types = get_typestore(Stores.ROS2_JAZZY)
    values = ("steering_angle", "steering_angle_velocity", "speed", "acceleration", "jerk")
    drive = "".join(f"float32 {name}\n" for name in values)  # ros-drivers/ackermann_msgs
    types.register(get_types_from_msg(drive, "ackermann_msgs/msg/AckermannDrive"))
    stamped = "std_msgs/Header header\nackermann_msgs/AckermannDrive drive\n"
    types.register(get_types_from_msg(stamped, "ackermann_msgs/msg/AckermannDriveStamped"))
    return types


def schema_of(kind: MessageType) -> str:
    """The text of a standard type, with those in it, as rosbags writes it."""
    return store().generate_msgdef(kind.name, ros_version=2)[0]


def messages(
    of: Topic, frame: Sequence[int], payloads: Sequence[bytes], stamp_ns: Sequence[int] | None = None
) -> TopicMessages:
    """Messages of a topic from rows."""
    numbers = np.array(frame, np.int64)
    stamps = START_NS + numbers * 1_000_003 if stamp_ns is None else np.array(stamp_ns, np.int64)
    start = np.cumsum([0, *map(len, payloads)]).astype(np.int64)
    data = np.frombuffer(b"".join(payloads), np.uint8)
    return TopicMessages(of, numbers, numbers * 1_000_003, stamps, Payloads(data, start))


def rows_of(groups: Iterable[TopicMessages], topics: Sequence[Topic]) -> list[tuple[str, int, bytes]]:
    """Name, stamp and bytes of messages in the order that a bag has, row by row."""
    place = [one.name for one in topics]
    listed = []
    for group in groups:
        data, start = group.payloads.data.tobytes(), group.payloads.start.tolist()
        for i, (frame, stamp) in enumerate(zip(group.frame.tolist(), group.stamp_ns.tolist(), strict=True)):
            name = group.topic.name
            listed.append((frame, place.index(name), (f"/{name}", stamp, data[start[i] : start[i + 1]])))
    return [row for *_, row in sorted(listed, key=lambda one: one[:2])]


def taken(group: TopicMessages, begin: int, end: int) -> TopicMessages:
    """Rows of a group, as a step has them."""
    start = group.payloads.start[begin : end + 1]
    return replace(
        group,
        frame=group.frame[begin:end],
        clock_ns=group.clock_ns[begin:end],
        stamp_ns=group.stamp_ns[begin:end],
        payloads=Payloads(group.payloads.data[start[0] : start[-1]].copy(), start - start[0]),
    )


def steps_of(groups: Sequence[TopicMessages], cuts: Iterable[int]) -> list[list[TopicMessages]]:
    """The messages as steps that end before these frames; a number twice makes an empty step."""
    bounds = [0, *sorted(cuts), 1 << 60]
    return [
        [taken(group, *np.searchsorted(group.frame, [begin, end]).tolist()) for group in groups]
        for begin, end in pairwise(bounds)
    ]


def write_bag(
    path: Path, topics: Sequence[Topic], steps: Iterable[Sequence[TopicMessages]], **options: object
) -> Path:
    """A whole bag of these steps."""
    writer = BagWriter(str(path), topics, schema_of, ORIGIN, **options)
    try:
        for groups in steps:
            writer.write(groups)
    except BaseException:
        writer.close(whole=False, keep=False)
        raise
    writer.close(whole=True)
    return path


def many(
    count: int, seed: int = 1, topics: int = 8, least: int = 100, most: int = 700
) -> list[TopicMessages]:
    """Topics with `count` messages in all, of one length each but the last one's, of smooth numbers."""
    chance = np.random.default_rng(seed)
    groups = []
    for number in range(topics):
        frame = np.arange(number, count, topics, dtype=np.int64)
        fixed = least + (most - least) * number // max(topics - 1, 1)
        varied = number == topics - 1
        length = chance.integers(least, most + 1, len(frame)) if varied else np.full(len(frame), fixed)
        start = np.concatenate(([0], np.cumsum(length))).astype(np.int64)
        values = np.sin(np.arange(int(start[-1]) // 8 + 1) // 9 / 1000.0)
        data = values.view(np.uint8)[: int(start[-1])]
        stamp = START_NS + frame * 100_000
        of = topic(f"t{number}", TYPES[number % 3])
        groups.append(TopicMessages(of, frame, stamp - START_NS, stamp, Payloads(data, start)))
    return groups


def read_rows(bag: Path, reader: type[McapReader]) -> list[tuple[str, int, bytes]]:
    """Name, stamp and bytes of the messages in the order of the file, read with checksums verified."""
    with bag.open("rb") as file:
        found = list(reader(file, validate_crcs=True).iter_messages(log_time_order=False))
    assert all(message.publish_time == message.log_time for _, _, message in found)
    return [(channel.topic, message.log_time, message.data) for _, channel, message in found]


def summary_of(bag: Path) -> Summary:
    """What the end of the file says of it."""
    with bag.open("rb") as file:
        summary = SeekingReader(file).get_summary()
    assert summary is not None
    return summary


def streamed_rows(part: Path) -> list[tuple[str, int, bytes]]:
    """Name, stamp and bytes of the messages of a file that was cut off, as far as it can be read."""
    rows = []
    with part.open("rb") as file:
        found = NonSeekingReader(file, validate_crcs=True).iter_messages(log_time_order=False)
        try:
            for _, channel, message in found:
                rows.append((channel.topic, message.log_time, message.data))
        except (EndOfFile, struct.error, RuntimeError, ValueError, ZstdError):
            pass
    return rows
