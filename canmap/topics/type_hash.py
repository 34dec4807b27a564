"""The type hash of a ROS 2 message type, by which both ends see that they mean the same fields."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from canmap.topics.definitions import BASIC, with_dependencies

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.topics.definitions import MessageField, MessageType

_NESTED, _ARRAY, _SEQUENCE = 1, 48, 144
_BASIC_IDS = {
    "int8": 2, "uint8": 3, "int16": 4, "uint16": 5, "int32": 6, "uint32": 7, "int64": 8, "uint64": 9,
    "float32": 10, "float64": 11, "bool": 15, "byte": 16, "string": 17,
}  # fmt: skip


def type_hash(kind: MessageType, known: Mapping[str, MessageType]) -> str:
    """Return the type hash of a message type: "RIHS01_" and 64 hexadecimal digits.

    It covers names and fields, with those of all parts; not comments, constants and default values.
    Source: REP 2011; ids of the types: type_description_interfaces/msg/FieldType.

    Args:
        kind: The message type.
        known: Message types by full name, all that it is made of among them.

    Raises:
        UsageError: A type is not known, or made of itself.
    """
    top, *parts = with_dependencies(kind, known)
    described = {
        "type_description": _described(top),
        "referenced_type_descriptions": [
            _described(part) for part in sorted(parts, key=lambda part: part.name)
        ],
    }
    return "RIHS01_" + hashlib.sha256(json.dumps(described).encode()).hexdigest()


def _described(kind: MessageType) -> dict[str, object]:
    return {
        "type_name": kind.name,
        "fields": [{"name": field.name, "type": _field_type(field)} for field in kind.fields],
    }


def _field_type(field: MessageField) -> dict[str, object]:
    several = 0 if field.count is None else _ARRAY if field.count else _SEQUENCE
    return {
        "type_id": _BASIC_IDS.get(field.type, _NESTED) + several,
        "capacity": field.count or 0,
        "string_capacity": 0,
        "nested_type_name": "" if field.type in BASIC else field.type,
    }
