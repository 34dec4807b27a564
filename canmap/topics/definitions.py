"""What a ROS 2 message type is: its name, its fields, its text."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MessageField:
    """A field of a message type.

    Attributes:
        name: Its name.
        type: A basic type ("float64", "string", "bool", ...) or the full name of a message type
            ("std_msgs/msg/Header").
        count: None for one value, 0 for a sequence of any length, else the length of a fixed array.
    """

    name: str
    type: str
    count: int | None = None


@dataclass(frozen=True, slots=True)
class MessageType:
    """A message type.

    Attributes:
        name: Full: "nav_msgs/msg/Odometry".
        fields: In their order.
        text: Its definition, as a `.msg` file holds it.
    """

    name: str
    fields: tuple[MessageField, ...]
    text: str
