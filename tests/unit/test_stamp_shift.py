"""Stamps moved inside the bytes of messages, against those that rosbags makes of the moved stamps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rosbags.typesys import Stores, get_typestore

from canmap.outputs.node.stamp_shift import with_stamps_moved
from canmap.topics.standard_types import standard_types
from canmap.topics.topic import MessageForm, Topic
from canmap.topics.topic_messages import Payloads, TopicMessages

TYPES = get_typestore(Stores.ROS2_KILTED)
SECOND_NS = 1_000_000_000
MOST_S = 2**31 - 1  # of int32 seconds
times = st.integers(0, MOST_S * SECOND_NS)


def made(name: str, **fields: Any) -> Any:
    return TYPES.types[name](**fields)


def stamp(at_ns: int) -> Any:
    return made("builtin_interfaces/msg/Time", sec=at_ns // SECOND_NS, nanosec=at_ns % SECOND_NS)


def header(at_ns: int) -> Any:
    return made("std_msgs/msg/Header", stamp=stamp(at_ns), frame_id="base_link")


def battery(at_ns: int) -> Any:
    numbers = dict.fromkeys(
        ("voltage", "temperature", "current", "charge", "capacity", "design_capacity", "percentage"), 1.5
    )
    codes = dict.fromkeys(("power_supply_status", "power_supply_health", "power_supply_technology"), 0)
    cells = dict.fromkeys(("cell_voltage", "cell_temperature"), np.zeros(0, np.float32))
    texts = {"location": "", "serial_number": f"{at_ns}"}  # so that lengths differ
    return made(
        "sensor_msgs/msg/BatteryState",
        header=header(at_ns),
        present=True,
        **numbers,
        **codes,
        **cells,
        **texts,
    )


def transform(at_ns: int) -> Any:
    moved = made(
        "geometry_msgs/msg/TransformStamped",
        header=header(at_ns), child_frame_id="odom",
        transform=made(
            "geometry_msgs/msg/Transform", translation=made("geometry_msgs/msg/Vector3", x=1.0, y=2.0, z=3.0),
            rotation=made("geometry_msgs/msg/Quaternion", x=0.0, y=0.0, z=0.0, w=1.0),
        ),
    )  # fmt: skip
    return made("tf2_msgs/msg/TFMessage", transforms=[moved])


KINDS: dict[str, Any] = {
    "sensor_msgs/msg/BatteryState": battery,
    "tf2_msgs/msg/TFMessage": transform,
    "rosgraph_msgs/msg/Clock": lambda at_ns: made("rosgraph_msgs/msg/Clock", clock=stamp(at_ns)),
    "std_msgs/msg/Bool": lambda at_ns: made("std_msgs/msg/Bool", data=bool(at_ns % 2)),
}


def messages(kind: str, parts: list[bytes]) -> TopicMessages:
    rows = np.arange(len(parts), dtype=np.int64)
    data = np.frombuffer(b"".join(parts), np.uint8)
    start = np.cumsum([0, *map(len, parts)], dtype=np.int64)
    topic = Topic(name="a", type=standard_types()[kind], form=MessageForm.OWN)
    return TopicMessages(topic, rows, rows, rows, Payloads(data, start))


@pytest.fixture(scope="module", autouse=True)
def tf2() -> None:
    """The type of transforms, which the store lacks."""
    if "tf2_msgs/msg/TFMessage" not in TYPES.types:
        from rosbags.typesys import get_types_from_msg

        text = "geometry_msgs/TransformStamped[] transforms\n"
        TYPES.register(get_types_from_msg(text, "tf2_msgs/msg/TFMessage"))


@pytest.mark.parametrize("kind", KINDS)
@given(pairs=st.lists(st.tuples(times, times), max_size=5))
def test_the_stamp_moves_and_nothing_else(kind: str, pairs: list[tuple[int, int]]) -> None:
    make = KINDS[kind]
    before = [bytes(TYPES.serialize_cdr(make(old_ns), kind)) for old_ns, _ in pairs]
    given_messages = messages(kind, before)
    shift_ns = np.array([new_ns - old_ns for old_ns, new_ns in pairs], np.int64)
    moved = with_stamps_moved(given_messages, shift_ns)
    assert given_messages.payloads.data.tobytes() == b"".join(before)  # which others may hold
    data, start = moved.payloads.data.tobytes(), moved.payloads.start
    for row, (old_ns, new_ns) in enumerate(pairs):
        expected = make(old_ns)
        if kind == "rosgraph_msgs/msg/Clock":
            expected = make(new_ns)
        elif kind == "tf2_msgs/msg/TFMessage":
            expected.transforms[0].header.stamp = stamp(new_ns)  # type: ignore[attr-defined]
        elif kind == "sensor_msgs/msg/BatteryState":
            expected = made(kind, **{**vars(make(old_ns)), "header": header(new_ns)})
        assert data[start[row] : start[row + 1]] == bytes(TYPES.serialize_cdr(expected, kind))
