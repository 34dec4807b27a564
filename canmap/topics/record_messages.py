"""Message types of our own: one for a record type, each field with its validity, its age and its flag."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from canmap.topics.definitions import message_type
from canmap.vocabulary.record_types import CORE_TYPES, field_types
from canmap.vocabulary.ros_names import as_name, constant_name, message_fields

if TYPE_CHECKING:
    from canmap.topics.definitions import MessageType
    from canmap.vocabulary.record_types import FieldType, Record

CORE_PACKAGE = "canmap_msgs"
# Packages whose names a vehicle must not get.
_TAKEN = frozenset(
    f"{name}_msgs"
    for name in (
        *("ackermann", "action", "actionlib", "canmap", "composition", "control", "diagnostic", "geometry"),
        *(
            "lifecycle",
            "map",
            "nav",
            "pendulum",
            "radar",
            "rosgraph",
            "sensor",
            "service",
            "shape",
            "statistics",
        ),
        *("std", "stereo", "test", "tf2", "trajectory", "unique_identifier", "vision", "visualization"),
    )
)
_LONGEST_VEHICLE = 60
# The generators take brackets in a comment for a unit, and stumble over a backslash.
_MEANT = str.maketrans({"\\": "/", '"': "'", "[": "(", "]": ")"})
_HEAD = """\
# {title}
#
# SI units; x forward, y left, z up (REP-103). Beside each value stand
#   _valid: whether it is known; if not, a number is NaN, a state, code, yes or no is 0
#   _age: s since it came, NaN if it never came
#   _out_of_range: whether it is outside its range

std_msgs/Header header
"""


def vehicle_package(vehicle: str) -> str:
    """Return the package of the record types that a spec declares: "Orchard cart" has orchard_cart_msgs."""
    name = as_name(vehicle)[:_LONGEST_VEHICLE].rstrip("_") or "vehicle"
    package = f"{name}_msgs"
    return f"{name}_vehicle_msgs" if package in _TAKEN else package


def record_message(record_type: type[Record], vehicle: str) -> MessageType:
    """Return the message type of a record type.

    Types of the catalogue are in one package for all vehicles, so that a node that was written for one works
    with another; those that a spec declares are in the package of its vehicle, as two vehicles may call two
    things alike.

    Args:
        record_type: One of the catalogue, or one that the spec declares.
        vehicle: The spec's name for the vehicle.
    """
    name = record_type.__name__
    package = CORE_PACKAGE if CORE_TYPES.get(name) is record_type else vehicle_package(vehicle)
    title = f"{name}, a record type of the vehicle's own."
    if package == CORE_PACKAGE:
        title = (record_type.__doc__ or name).split("\n")[0]
    lines = (_lines(kind) for kind in field_types(record_type).values())
    return message_type(f"{package}/msg/{name}", "\n".join([_HEAD.format(title=title), *lines]))


def _basic_type(kind: FieldType) -> str:
    if issubclass(kind.kind, IntEnum):
        return "uint8"
    return {bool: "bool", int: "int64"}.get(kind.kind, "float64")


def _lines(kind: FieldType) -> str:
    """Return the lines of a field in the text of its type, with its meaning and the numbers of its states."""
    lines = []
    if issubclass(kind.kind, IntEnum):
        lines = [f"uint8 {constant_name(kind.name, state.name)}={state.value}" for state in kind.kind]
    unit = {"": "", "1": "a plain number: "}.get(kind.unit, f"{kind.unit}, ")
    lines.append(f"# {unit}{' '.join(kind.meaning.split()).translate(_MEANT)}")
    types = (_basic_type(kind), "bool", "float64", "bool")
    lines += [f"{type_} {name}" for type_, name in zip(types, message_fields(kind.name), strict=True)]
    return "\n".join(lines) + "\n"
