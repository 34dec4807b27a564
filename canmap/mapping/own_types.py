"""Record types that a spec declares: classes of rows like those of the vocabulary."""

from __future__ import annotations

import keyword
import re
from dataclasses import fields, make_dataclass
from enum import EnumType, IntEnum
from typing import TYPE_CHECKING, cast

from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown
from canmap.vocabulary.record_types import CORE_TYPES, Record, choice, field_types, quantity
from canmap.vocabulary.ros_names import constant_name, file_name, is_reserved_word, message_fields
from canmap.vocabulary.units import SI_UNITS, si_name

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node, Scalar
    from canmap.mapping.reading.mistakes import Position
    from canmap.mapping.reading.sections import Context, Key, SectionValues
    from canmap.mapping.reading.shapes import Entry

_TYPE_NAME = re.compile(r"[A-Z][A-Za-z0-9]{0,63}", re.ASCII)
_FIELD_NAME = re.compile(r"(?=.{1,64}\Z)[a-z][a-z0-9]*(_[a-z0-9]+)*", re.ASCII)
_CONTENTS: tuple[Key[object], ...] = (g.OWN_UNIT, g.OWN_KIND, g.OWN_STATES)
_RESERVED = frozenset({"type", "stamp"} | {item.name for item in fields(Record)})


def is_field_name(name: str) -> bool:
    """Tell whether a record or a field can be called that: lower case, as a program would write it.

    That is what ROS 2 allows for a field of a message and for a part of a topic's name, too.
    """
    return _FIELD_NAME.fullmatch(name) is not None and not keyword.iskeyword(name) and name not in _RESERVED


def own_types(
    node: Node | None, entries: tuple[Entry[Scalar, SectionValues], ...], context: Context
) -> dict[str, type[Record] | None]:
    """Make a class for each record type of the spec, by name.

    Args:
        node: The section ``record_types``; None for none.
        entries: What was read of it.
        context: Takes faults.

    Returns:
        By name; None for a faulty one, of which nothing that follows is reported.
    """
    types: dict[str, type[Record] | None] = dict.fromkeys(node.pairs if isinstance(node, Entries) else ())
    files: dict[str, str] = {}
    for entry in entries:
        name = entry.key.text
        if name in CORE_TYPES:
            context.faults.add(entry.place, f"{name} is a record type of canmap: choose another name.")
        elif not _TYPE_NAME.fullmatch(name) or keyword.iskeyword(name):
            text = f"{shown(name)} is not a name for a record type, such as LiftArm."
            context.faults.add(entry.place, text)
        elif (first := files.setdefault(file_name(name), name)) != name:
            text = f"{name} and {first} would be one file of a message package: choose another name."
            context.faults.add(entry.place, text)
        else:
            before = len(context.faults)
            type_ = _type(name, entry.value.get(g.OWN_FIELDS) or (), context)
            if len(context.faults) == before and _is_whole(entry.value, type_):
                types[name] = type_
    return types


def _is_whole(values: SectionValues, type_: type[Record]) -> bool:
    """Tell whether all that the spec says of a type could be read."""
    written = values.nodes.get(g.OWN_FIELDS.name)
    if written is None or not isinstance(written[1], Entries):
        return False
    contents = [entry.value for entry in values.get(g.OWN_FIELDS) or ()]
    if any(one.lost for one in contents):
        return False
    read = all(one.get(key) is not None for one in contents for key in _CONTENTS if one.has(key))
    return read and len(written[1].pairs) == len(field_types(type_))


def _type(name: str, entries: tuple[Entry[Scalar, SectionValues], ...], context: Context) -> type[Record]:
    declared = []
    for entry in entries:
        if not is_field_name(entry.key.text):
            text = f"{shown(entry.key.text)} is not a name for a field: write it like wheel_angle."
            context.faults.add(entry.place, text)
            continue
        if is_reserved_word(entry.key.text):
            text = f"{shown(entry.key.text)} means something in C++, IDL or Python: choose another name."
            context.faults.add(entry.place, text)
        kind, content = _content(name, entry.key.text, entry.value, context)
        declared.append((entry.key.text, kind, content))
    _tell_clashes(entries, context)
    return make_dataclass(name, declared, bases=(Record,), frozen=True, slots=True, kw_only=True)


def _tell_clashes(entries: tuple[Entry[Scalar, SectionValues], ...], context: Context) -> None:
    """Tell which fields, and which of their states, would have the name of another one in a message."""
    taken = {"header": "its header"}
    for entry in entries:
        name = entry.key.text
        for part in message_fields(name):
            _tell_clash(part, f"the field {name}", taken, entry.place, context)
        for state in entry.value.get(g.OWN_STATES) or ():
            constant = constant_name(name, state.text)
            _tell_clash(constant, f"the state {state.text} of {name}", taken, state.place, context)


def _tell_clash(name: str, what: str, taken: dict[str, str], place: Position, context: Context) -> None:
    if (first := taken.setdefault(name, what)) != what:
        text = f"A message would have {shown(name)} twice, for {first} and {what}: choose another name."
        context.faults.add(place, text)


def _content(type_name: str, name: str, values: SectionValues, context: Context) -> tuple[object, object]:
    """Return the annotation and the declaration of a field."""
    meaning = values.get(g.OWN_MEANING) or name.replace("_", " ")
    given = [key for key in _CONTENTS if values.has(key)]
    if len(given) != 1:
        if not values.lost or given:
            text = "A field of a record type has one of the keys `unit`, `kind` and `states`."
            context.faults.add(values.place, text)
        return float | None, quantity("1", meaning)
    unit, kind, states = values.get(g.OWN_UNIT), values.get(g.OWN_KIND), values.get(g.OWN_STATES)
    if unit is not None:
        if unit.factor != 1 or unit.offset:
            text = f"Records hold SI units: write {si_name(unit.dimension)}, not {unit.name}."
            context.faults.add(values.place_of(g.OWN_UNIT), text)
        return float | None, quantity(SI_UNITS.get(unit.dimension, unit.name), meaning)
    if states is not None:
        enumeration = _enumeration(type_name, name, states, context)
        return enumeration | None, choice(enumeration, meaning)
    chosen = bool if kind == "bool" else int
    return chosen | None, choice(chosen, meaning)


def _enumeration(type_name: str, name: str, states: tuple[Scalar, ...], context: Context) -> type[IntEnum]:
    members: dict[str, int] = {}
    for state in states:
        if not is_field_name(state.text) or state.text.upper() in members:
            context.faults.add(
                state.place, f"{shown(state.text)} is not a name for a state, or is given twice."
            )
        else:
            members[state.text.upper()] = len(members)
    title = type_name + name.title().replace("_", "")
    return cast("type[IntEnum]", EnumType.__call__(IntEnum, title, members))
