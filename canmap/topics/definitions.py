"""What a ROS 2 message type is: its name, its fields, its text."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

INTEGERS = frozenset(f"{sign}int{bits}" for sign in ("", "u") for bits in (8, 16, 32, 64)) | {"byte"}
FLOATS = frozenset({"float32", "float64"})
BASIC = INTEGERS | FLOATS | {"bool", "string"}

_RULE = "=" * 80  # before each dependency in the text of a schema
_NAME = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*/msg/[A-Z][A-Za-z0-9]*")
_TYPE = re.compile(r"(?P<type>[A-Za-z0-9_/]+)(?P<array>\[(?P<count>[1-9][0-9]*)?\])?")
_FIELD = re.compile(rf"{_TYPE.pattern}\s+(?P<name>[a-z][a-z0-9]*(?:_[a-z0-9]+)*)")
_CONSTANT = re.compile(r"(?P<type>[a-z0-9]+)\s+(?P<name>[A-Z][A-Z0-9]*(?:_[A-Z0-9]+)*)\s*=\s*(?P<value>.+)")
_TRUTH = {"true": True, "1": True, "false": False, "0": False}


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
        constants: Name and value of each, in their order.
    """

    name: str
    fields: tuple[MessageField, ...]
    text: str
    constants: tuple[tuple[str, bool | int | float | str], ...] = ()

    def constant(self, name: str) -> bool | int | float | str:
        """Return the value of a constant. Raises KeyError where there is none of this name."""
        return dict(self.constants)[name]


def message_type(name: str, text: str) -> MessageType:
    """Return the message type that a `.msg` text defines.

    Of the ROS 2 interface definition this takes basic types, message types, fixed arrays, sequences,
    constants and comments. Bounds (`string<=8`, `[<=8]`), default values, `char` and `wstring` are refused;
    so is a type without fields.

    Args:
        name: Full: "nav_msgs/msg/Odometry". Types without a package are of the package of this one.
        text: A field or a constant a line.

    Raises:
        UsageError: The name or a line is not of this form; it says which line.
    """
    if not _NAME.fullmatch(name):
        raise UsageError(f"{name}: a message type is named package/msg/Type")
    fields: list[MessageField] = []
    constants: list[tuple[str, bool | int | float | str]] = []
    for number, line in enumerate(text.splitlines(), 1):
        said = line.partition("#")[0].strip()
        try:
            if found := _CONSTANT.fullmatch(said):
                constants.append((found["name"], _constant(found["type"], found["value"])))
            elif said:
                fields.append(_field(said, name.partition("/")[0]))
        except ValueError as error:
            raise UsageError(f"{name}:{number}: {error}") from error
    names = [field.name for field in fields] + [constant for constant, _ in constants]
    if twice := [one for one, count in Counter(names).items() if count > 1]:
        raise UsageError(f"{name}: {twice[0]} stands there twice; give each field a name of its own")
    if not fields:
        raise UsageError(f"{name}: there is no field; a message type needs one")
    return MessageType(name, tuple(fields), text, tuple(constants))


def _field(said: str, package: str) -> MessageField:
    found = _FIELD.fullmatch(said)
    if found is None:
        raise ValueError(f"{said!r} is no field; write its type and its name, as in 'float64[3] size'")
    count = None if found["array"] is None else int(found["count"] or 0)
    return MessageField(found["name"], _full_name(found["type"], package), count)


def _full_name(type_name: str, package: str) -> str:
    """Return a basic type as it is, and the full name of a message type."""
    if type_name in BASIC:
        return type_name
    *packages, short = type_name.split("/")
    full = f"{packages[0] if packages else package}/msg/{short}"
    if packages[1:] not in ([], ["msg"]) or not _NAME.fullmatch(full):
        raise ValueError(
            f"{type_name} is no type that canmap knows; take {', '.join(sorted(BASIC))} or a message type"
        )
    return full


def _constant(type_name: str, value: str) -> bool | int | float | str:
    try:
        if type_name in INTEGERS:
            return int(value, 0)
        if type_name in FLOATS:
            return float(value)
        if type_name == "bool":
            return _TRUTH[value.lower()]
    except (ValueError, KeyError):
        pass
    if type_name == "string" and len(value) > 1 and value[0] == value[-1] in "'\"":
        return value[1:-1]
    raise ValueError(f"{value} is no constant of the type {type_name}; write one that is")


def with_dependencies(kind: MessageType, known: Mapping[str, MessageType]) -> list[MessageType]:
    """Return a message type and then each one that it is made of, once, as a reader of the text meets them.

    Args:
        kind: The message type.
        known: Message types by full name, all that it is made of among them.

    Raises:
        UsageError: One is not known, or a type is made of itself.
    """
    found = {kind.name: kind}
    _collect(kind, known, found, (kind.name,))
    return list(found.values())


def _collect(
    kind: MessageType,
    known: Mapping[str, MessageType],
    found: dict[str, MessageType],
    within: tuple[str, ...],
) -> None:
    for field in kind.fields:
        if field.type in BASIC:
            continue
        part = type_of(field.type, known)
        if part.name in within:
            raise UsageError(f"{part.name}: a message type cannot be made of itself; change its fields")
        if part.name not in found:
            found[part.name] = part
            _collect(part, known, found, (*within, part.name))


def type_of(name: str, known: Mapping[str, MessageType]) -> MessageType:
    """Return the message type of a full name. Raises UsageError where it is not among the known ones."""
    if name not in known:
        raise UsageError(f"{name}: this message type is not known; define it")
    return known[name]


def schema_text(kind: MessageType, known: Mapping[str, MessageType]) -> str:
    """Return the text of a message type with all that it is made of, as a bag holds it ("ros2msg").

    Source: the MCAP registry of well-known schema encodings. Arguments and errors as `with_dependencies`.
    """
    top, *parts = with_dependencies(kind, known)
    texts = [top.text, *(f"{_RULE}\nMSG: {part.name.replace('/msg/', '/')}\n{part.text}" for part in parts)]
    return "".join(f"{text.rstrip()}\n" for text in texts)
