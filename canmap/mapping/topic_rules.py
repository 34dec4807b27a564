"""What the spec says of the topics that records are published on; what it does not say is None or empty."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

BASE_FRAME, ODOM_FRAME = "base_link", "odom"  # REP-105

# What a record is published as beside a message of its own type, by its type, in the words of the spec.
OWN = "own"
STANDARD_MESSAGES: Mapping[str, tuple[str, ...]] = {
    "Motion": ("odometry", "twist"),
    "Steering": ("ackermann",),
    "Wheels": ("wheel_speeds",),
    "Battery": ("battery",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicRule:
    """What the spec says of one topic.

    Attributes:
        published: Whether there is one.
        name: Its name.
        frame: Frame of its headers.
        reliable: Reliable, not best effort.
        transient_local: Transient local, not volatile.
        depth: So many messages are kept.
        deadline_ns: Longest time between two messages that is promised, 0 for none.
        line: Line of the spec, 0 where it says nothing.
    """

    published: bool = True
    name: str | None = None
    frame: str | None = None
    reliable: bool | None = None
    transient_local: bool | None = None
    depth: int | None = None
    deadline_ns: int | None = None
    line: int = 0


UNSAID = TopicRule()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordTopics:
    """What the spec says of the topics of one record.

    Attributes:
        published: Whether there is any.
        rules: By "own", or a word of `STANDARD_MESSAGES`.
        pose_covariance: 36 values row by row, SI, of Motion; () for the default.
        twist_covariance: The same of speeds.
        transform: Whether the pose of Motion is broadcast.
        line: Line of the spec, 0 where it says nothing.
    """

    published: bool = True
    rules: Mapping[str, TopicRule] = field(default_factory=dict)
    pose_covariance: tuple[float, ...] = ()
    twist_covariance: tuple[float, ...] = ()
    transform: bool = False
    line: int = 0

    def rule(self, message: str) -> TopicRule:
        """Return what is said of the topic of one kind of message."""
        return self.rules.get(message, UNSAID)


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicRules:
    """What the spec says of the topics of the vehicle.

    Attributes:
        base_frame: The vehicle's frame.
        odom_frame: The frame of its dead reckoning.
        stop_active: Of the topic that says whether any source asks for a stop.
        diagnostics: Of the topic of findings.
        records: By record.
    """

    base_frame: str = BASE_FRAME
    odom_frame: str = ODOM_FRAME
    stop_active: TopicRule = UNSAID
    diagnostics: TopicRule = UNSAID
    records: Mapping[str, RecordTopics] = field(default_factory=dict)

    def of(self, record: str) -> RecordTopics:
        """Return what is said of a record."""
        return self.records.get(record, RecordTopics())
