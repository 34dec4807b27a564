"""Stamps inside the bytes of messages, moved by as much as each message needs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.topics.topic_messages import Payloads

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.topics.definitions import MessageType
    from canmap.topics.topic_messages import TopicMessages

# Where the stamp of a message stands, by the type of its first field; behind the 4 bytes of the encapsulation
# header, seconds as int32 and nanoseconds as uint32 (builtin_interfaces/msg/Time). A header begins with it, a
# sequence with its length, which is 1 where transforms are sent one by one.
_STAMP_AT = {
    "std_msgs/msg/Header": 4,
    "builtin_interfaces/msg/Time": 4,
    "geometry_msgs/msg/TransformStamped": 8,
}
_SECOND_NS = 1_000_000_000


def stamp_place(kind: MessageType) -> int | None:
    """Return the byte at which the stamp of messages of a type begins, None where they have none."""
    return _STAMP_AT.get(kind.fields[0].type) if kind.fields else None


def with_stamps_moved(messages: TopicMessages, shift_ns: NDArray[np.int64]) -> TopicMessages:
    """Return messages whose stamps are later by `shift_ns`, int64[n]; those without one as they are.

    Times that an int32 of seconds does not hold (from 2038 on) wrap, as they do in every message of ROS 2.
    """
    place = stamp_place(messages.topic.type)
    if place is None or not len(messages):
        return messages
    payloads = messages.payloads
    data = payloads.data.copy()
    rows = payloads.start[:-1, np.newaxis] + place + np.arange(8)
    stamps = data[rows].view("<u4")
    stamp_ns = stamps[:, 0].view("<i4") * np.int64(_SECOND_NS) + stamps[:, 1] + shift_ns
    seconds, nanoseconds = np.divmod(stamp_ns, _SECOND_NS)
    moved = np.stack([seconds & 0xFFFFFFFF, nanoseconds], axis=1).astype("<u4")
    data[rows] = moved.view(np.uint8)
    return replace(messages, payloads=Payloads(data, payloads.start))
