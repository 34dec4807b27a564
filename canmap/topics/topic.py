"""A topic: its name, its type, where its messages come from, and how they are offered."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from canmap.topics.definitions import MessageType


class MessageForm(StrEnum):
    """How a record, or what else a topic is fed by, becomes a message."""

    OWN = "own"  # every field with its validity and age, in a type of our own
    ODOMETRY = "odometry"
    TWIST = "twist"
    ACKERMANN = "ackermann"
    WHEEL_SPEEDS = "wheel_speeds"
    BATTERY = "battery"
    STOP_ACTIVE = "stop_active"
    DIAGNOSTICS = "diagnostics"
    TRANSFORM = "transform"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Qos:
    """What a publisher offers (the words are those of ROS 2).

    Attributes:
        reliable: Reliable, not best effort.
        transient_local: Who comes late gets the newest ones, not volatile.
        depth: So many are kept ("keep last").
        deadline_ns: Longest time between two messages that is promised, None for none.
    """

    reliable: bool = True
    transient_local: bool = False
    depth: int = 10
    deadline_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """A topic that messages go out on.

    Attributes:
        name: Relative ("odom"), so that a namespace can be put before it; absolute ("/diagnostics") where
            the name is a convention of its own.
        type: Of its messages.
        form: How they are made.
        records: Names of the records that they are made of, the one that stamps them first; none for
            findings and the clock.
        qos: What is offered.
        frame_id: Frame of the header, "" where the type has none.
        child_frame_id: Of an odometry and a transform.
        pose_covariance: float, 36 of them row by row, of an odometry; () elsewhere.
        twist_covariance: The same, of an odometry and a twist.
        latency_ns: What is taken off the stamp of receipt for the stamp of the header.
    """

    name: str
    type: MessageType
    form: MessageForm
    records: tuple[str, ...] = ()
    qos: Qos = Qos()
    frame_id: str = ""
    child_frame_id: str = ""
    pose_covariance: tuple[float, ...] = ()
    twist_covariance: tuple[float, ...] = ()
    latency_ns: int = 0
