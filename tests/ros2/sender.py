"""The command line with messages that this file makes of a run; run by the Python of a ROS 2.

python sender.py PACKAGES FILE ARGUMENT...

PACKAGES is a folder of packages that canmap needs and a ROS 2 does not have. FILE is where it writes, when the command has ended, the messages that it sent, in order: topic, hex, and time of day in ns.
"""

from __future__ import annotations

import atexit
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.append(sys.argv.pop(1))  # what canmap needs and a ROS 2 does not have

import numpy as np
from rosbags.typesys import Stores, get_typestore

import canmap.cli.topic_options
from canmap.cli.main import main
from canmap.outputs.node.rosnode import RosNode
from canmap.topics.definitions import MessageField, MessageType
from canmap.topics.topic import MessageForm, Qos, Topic
from canmap.topics.topic_messages import Payloads, TopicMessages

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canmap.mapping.model import Spec
    from canmap.records.columns import RecordChunk
    from canmap.stream.sink import About, Step

TYPES = get_typestore(Stores.ROS2_KILTED)
HEADER = MessageField("header", "std_msgs/msg/Header")
TWIST = MessageType("geometry_msgs/msg/TwistStamped", (HEADER, MessageField("twist", "geometry_msgs/msg/Twist")), "")
STRING = MessageType("std_msgs/msg/String", (MessageField("data", "string"),), "")
BOOL = MessageType("std_msgs/msg/Bool", (MessageField("data", "bool"),), "")
CLOCK = MessageType("rosgraph_msgs/msg/Clock", (MessageField("clock", "builtin_interfaces/msg/Time"),), "")
OWN = MessageType("cart_msgs/msg/Steering", (HEADER, MessageField("wheel_angle", "float64")), "")
OTHER = MessageType("std_msgs/msg/Int8", (MessageField("value", "int8"),), "")  # it has `data`
TOPICS = (
    Topic(name="twist", type=TWIST, form=MessageForm.TWIST, qos=Qos(deadline_ns=100_000_000)),
    Topic(name="chatter", type=STRING, form=MessageForm.OWN),
    Topic(name="/stop", type=BOOL, form=MessageForm.STOP_ACTIVE, qos=Qos(transient_local=True, depth=1)),
    Topic(name="loose", type=STRING, form=MessageForm.OWN, qos=Qos(reliable=False)),
    Topic(name="steering", type=OWN, form=MessageForm.OWN),
    Topic(name="changed", type=OTHER, form=MessageForm.OWN),
    Topic(name="/clock", type=CLOCK, form=MessageForm.CLOCK, qos=Qos(depth=1)),
)


def time_of(stamp_ns: int) -> Any:
    return TYPES.types["builtin_interfaces/msg/Time"](*divmod(stamp_ns, 1_000_000_000))


def message(topic: Topic, stamp_ns: int, row: int, value: float) -> Any:
    kind = TYPES.types[topic.type.name]
    if topic.type is STRING:
        return kind(f"{topic.name} {row}")
    if topic.type is BOOL:
        return kind(bool(row % 2))
    if topic.type is CLOCK:
        return kind(time_of(stamp_ns))
    vector = TYPES.types["geometry_msgs/msg/Vector3"]
    twist = TYPES.types["geometry_msgs/msg/Twist"](vector(value, 0.0, 0.0), vector(0.0, 0.0, 0.0))
    return kind(TYPES.types["std_msgs/msg/Header"](time_of(stamp_ns), "base_link"), twist)


class Made:
    """Messages of the drive records: one a record and topic, the stop's and the loose ones every tenth."""

    def __init__(self, spec: Spec, *, clock: bool) -> None:
        self.topics = tuple(topic for topic in TOPICS if clock or topic.type is not CLOCK)
        self.rows = 0

    def open(self, about: About) -> None:
        assert about.spec.records

    def of(self, step: Step) -> Sequence[TopicMessages]:
        for chunk in step.records:
            if chunk.name == "drive":
                first, self.rows = self.rows, self.rows + len(chunk)
                return [self.messages(topic, chunk, first) for topic in reversed(self.topics)]
        return []

    def messages(self, topic: Topic, chunk: RecordChunk, first: int) -> TopicMessages:
        every = 10 if topic.name in {"/stop", "loose"} else 1
        rows = [row for row in range(len(chunk)) if (first + row) % every == 0]
        if topic.type in (OWN, OTHER):
            parts = [bytes(8)] * len(rows)
        else:
            speed = chunk.columns["speed"].values
            made = (message(topic, int(chunk.stamp_ns[row]), first + row, speed[row]) for row in rows)
            parts = [bytes(TYPES.serialize_cdr(one, topic.type.name)) for one in made]
        payloads = Payloads(
            np.frombuffer(b"".join(parts), np.uint8), np.cumsum([0, *map(len, parts)], dtype=np.int64)
        )
        return TopicMessages(topic, chunk.frame[rows], chunk.clock_ns[rows], chunk.stamp_ns[rows], payloads)


def watched(path: str) -> None:
    """Write down what goes through the door to ROS 2, and when."""
    sent: list[tuple[str, str, int]] = []
    door = RosNode.publisher

    def watched_door(node: RosNode, topic: Topic) -> Callable[[bytes], None] | None:
        send = door(node, topic)
        if send is None:
            return None

        def noted(data: bytes) -> None:
            sent.append((topic.name, data.hex(), time.time_ns()))
            send(data)

        return noted

    RosNode.publisher = watched_door  # type: ignore[method-assign]
    atexit.register(lambda: Path(path).write_text(json.dumps(sent)))


canmap.cli.topic_options.conversion_of = Made  # type: ignore[assignment]
watched(sys.argv.pop(1))
main()
