"""The records of a spec: which message stamps each, and a rule for each mapped field."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import listed
from canmap.mapping.field_rules import field_rule
from canmap.mapping.model import FieldRule, RecordRule
from canmap.mapping.notes import Note, NoteReason
from canmap.mapping.own_types import is_field_name
from canmap.mapping.reading import field_grammar as g
from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import WHOLE, mapping, meant, renamed, scalar
from canmap.mapping.reading.shapes import message
from canmap.vocabulary.record_types import CORE_TYPES, Drive, Motion, Record, Steering, field_types

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from canmap.mapping.message_rules import HoldTimes
    from canmap.mapping.model import Geometry
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context
    from canmap.vocabulary.record_types import FieldType

_TYPE = "type"
_STAMP = "stamp"


@dataclass(frozen=True, slots=True)
class _Started:
    """A record whose type is known and whose fields are not read yet."""

    name: str
    type: type[Record]
    entries: Entries


def record_rules(
    node: Node | None,
    types: Mapping[str, type[Record] | None],
    holds: HoldTimes,
    geometry: Geometry,
    context: Context,
) -> tuple[RecordRule, ...]:
    """Build the rules of all records.

    Args:
        node: The section ``records``; None for none.
        types: The record types that the spec declares; None for one that is faulty.
        holds: How long the values of signals hold.
        geometry: What `Motion` needs.
        context: Takes faults and notes.
    """
    entries = mapping(node, context, "the list of records") if node is not None else None
    unread: dict[str, type[Record] | None] = dict.fromkeys(entries.pairs if entries else ())
    context = replace(context, records=unread)
    started = [
        record
        for name, value in (entries.pairs.values() if entries else ())
        if (record := _start(name, value, {**CORE_TYPES, **types}, context))
    ]
    context = replace(
        context,
        records=unread | {record.name: record.type for record in started},
        mapped={
            record.name: fields for record in started if (fields := _mapped(record.entries, record.type))
        },
    )
    rules: dict[str, RecordRule] = {}
    for record in sorted(started, key=lambda record: record.type is Motion):  # Motion looks at the others
        rule = _Fields(record, rules, holds, geometry, context).rule()
        if rule is not None:
            rules[record.name] = rule
    finished = tuple(rules[record.name] for record in started if record.name in rules)
    _note_ageless(finished, holds, context)
    return finished


def with_records(node: Node | None, rules: tuple[RecordRule, ...], context: Context) -> Context:
    """Return a context that knows the records of a spec, of the section `records` and what became of it."""
    pairs = node.pairs if isinstance(node, Entries) else {}
    known = {rule.name: rule for rule in rules}
    mapped = {
        name: fields
        for name, (_, entries) in pairs.items()
        if name in known and (fields := _mapped(entries, known[name].type))
    }
    records = {name: known[name].type if name in known else None for name in pairs}
    return replace(context, records=records, mapped=mapped)


def _mapped(entries: Node, type_: type[Record]) -> list[str] | None:
    """Return the fields that a record maps, or derives; None where a key of it has no meaning."""
    types = field_types(type_)
    if type_ is Motion:
        return list(types)
    given = set(entries.pairs) - {_TYPE, _STAMP} if isinstance(entries, Entries) else set()
    return [name for name in types if name in given] if given <= set(types) else None


def _note_ageless(rules: tuple[RecordRule, ...], holds: HoldTimes, context: Context) -> None:
    """Tell which messages feed records without any promise of when they come again."""
    feeding = {
        (field.sources[0].bus, field.sources[0].message): None
        for rule in rules
        for field in rule.fields
        if field.max_age_ns is None
    }
    for bus, name in feeding:
        if holds.of_messages[bus, name] is None:
            context.notes.append(Note(reason=NoteReason.HELD_FOR_EVER, bus=bus, message=name, subject=name))


def _start(
    name: Scalar, node: Node, types: Mapping[str, type[Record] | None], context: Context
) -> _Started | None:
    """Return a record of a known type; of any other only the mistakes in it are reported."""
    entries = mapping(node, context, "a record")
    if not is_field_name(name.text):
        context.faults.add(
            name.place, f"{shown(name.text)} is not a name for a record: write it like front_axle."
        )
    if entries is None:
        return None
    entries, wanted = _with_type(name, entries, types, context)
    type_ = _type(wanted, types, context) if wanted else None
    if type_ is not None:
        return _Started(name.text, type_, entries)
    for key, (_, value) in entries.pairs.items():
        if key == _STAMP:
            message(value, context)
        elif key != _TYPE and isinstance(value, Entries):
            g.FIELD(value, context)
    return None


def _with_type(
    name: Scalar, entries: Entries, types: Mapping[str, type[Record] | None], context: Context
) -> tuple[Entries, Scalar | None]:
    """Return the entries of a record and the name of its type, for which another key may stand by mistake."""
    written = entries.value(_TYPE)
    if written is not None:
        return entries, scalar(written, context, "the type of a record")
    fields = {field for type_ in types.values() if type_ for field in field_types(type_)}
    strange = [key for key in entries.pairs if key != _STAMP and key not in fields]
    near = next((key for key in strange if context.faults.nearest(key, [_TYPE])), None)
    if near is not None:
        known = [_TYPE, *(key for key in entries.pairs if key != near)]
        entries = renamed(entries, known, "a record", context.faults)
        return entries, scalar(entries.pairs[_TYPE][1], context, "the type of a record")
    if strange:
        place = entries.pairs[strange[0]][0].place
        context.faults.add(place, f"A record has no key {shown(strange[0])}, and needs `{_TYPE}`.")
    elif not _told_elsewhere(name, context):
        ending = context.faults.ending(None, list(types))
        context.faults.add(name.place, f"The record {name.text} needs the key `{_TYPE}`{ending}")
    return entries, None


def _told_elsewhere(name: Scalar, context: Context) -> bool:
    """Tell whether a fragment's part of a record lacks what the spec says in a part that has no meaning."""
    return WHOLE in context.lost and name.place.file != context.file


def _type(wanted: Scalar, types: Mapping[str, type[Record] | None], context: Context) -> type[Record] | None:
    if wanted.text in types:
        return types[wanted.text]
    near = context.faults.nearest(wanted.text, types)
    if near is None and "record_types" in context.lost:
        return None
    ending = context.faults.ending(near, list(types))
    context.faults.add(wanted.place, f"There is no record type {shown(wanted.text)}{ending}")
    return types[near] if near else None


class _Fields:
    """Reads the fields of one record."""

    def __init__(
        self,
        record: _Started,
        others: Mapping[str, RecordRule],
        holds: HoldTimes,
        geometry: Geometry,
        context: Context,
    ) -> None:
        self._record = record
        self._others = others
        self._holds = holds
        self._geometry = geometry
        self._context = replace(context, subject=record.name)
        self._derived = record.type is Motion
        self._types = _motion_inputs() if self._derived else field_types(record.type)

    def rule(self) -> RecordRule | None:
        """Return the record's rule, None where its stamp is faulty."""
        record, faults = self._record, self._context.faults
        entries = self._meant()
        pairs = {key: pair for key, pair in entries.pairs.items() if key not in {_TYPE, _STAMP}}
        built = [self._field(self._types[key], *pairs[key]) for key in self._types if key in pairs]
        if self._derived:
            self._check_motion(set(pairs))
        elif not pairs:
            faults.add(record.entries.place, f"The record {record.name} has no field.")
        stamp = entries.value(_STAMP)
        if stamp is None and any(key not in self._types for key in pairs):
            return None  # reported with the key that has no meaning
        if stamp is None:
            faults.add(record.entries.place, f"The record {record.name} needs the key `stamp`: a message.")
            return None
        found = message(stamp, self._context)
        if found is None:
            return None
        fields = tuple(rule for rule in built if rule)
        line = record.entries.place.line
        return RecordRule(
            record.name, record.type, found.bus, found.message.name, fields, self._derived, line
        )

    def _meant(self) -> Entries:
        """Return the entries of the record with each misspelt key, after telling it, under the right name."""
        known = [_TYPE, _STAMP, *self._types]
        what = f"the record type {self._record.type.__name__}"
        return meant(self._record.entries, known, what, self._context.faults, [_STAMP], "field")

    def _field(self, field: FieldType, name: Scalar, node: Node) -> FieldRule | None:
        context = replace(self._context, subject=f"{self._record.name}.{field.name}")
        if self._derived and isinstance(node, Scalar):
            other, _, item = node.text.partition(".")
            if "." not in item and other in context.records and not context.names.has_message(other):
                return self._of_record(field, node, other, item)
            if item in self._types and context.names.complete and not context.names.has_message(other):
                hint = context.faults.hint(other, context.records)
                context.faults.add(node.place, f"There is no record and no message {shown(other)}{hint}")
                return None
        if isinstance(node, Scalar) and not node.text:
            context.faults.add(name.place, f"`{field.name}` has no value.")
            return None
        return field_rule(field, node, self._holds, context)

    def _of_record(self, field: FieldType, node: Scalar, other: str, item: str) -> FieldRule | None:
        """Take over the rule of another record's field."""
        other_type = self._context.records[other]
        if other_type is None:
            return None
        known = field_types(other_type)
        mapped = (
            {rule.type.name: rule for rule in self._others[other].fields} if other in self._others else {}
        )
        if item not in known:
            hint = self._context.faults.hint(item, known)
            self._context.faults.add(node.place, f"The record {other} has no field {shown(item)}{hint}")
        elif known[item].unit != field.unit:
            self._context.faults.add(node.place, f"{node.text} is not a {field.name.replace('_', ' ')}.")
        elif item in mapped:
            return replace(mapped[item], type=field, line=node.place.line)
        elif item not in (written := self._written(other, mapped)):
            text = f"The record {other} does not map its field {item}"
            self._context.faults.add(node.place, f"{text}; it maps {listed(written or ['none'], 'and')}.")
        return None

    def _written(self, other: str, mapped: Mapping[str, FieldRule]) -> Collection[str]:
        """Return the fields that another record maps, faulty or not; of one of no use, all of its type."""
        other_type = self._context.records[other]
        known = field_types(other_type) if other_type else {}
        if other_type is Motion:  # it has rules only for what it is derived from
            return known if len(self._context.faults) else mapped
        return self._context.mapped.get(other, known)

    def _check_motion(self, given: set[str]) -> None:
        faults, place = self._context.faults, self._record.entries.place
        angles = given & {"wheel_angle", "road_angle"}
        lost = given - set(self._types)  # reported where it stands, and may be one of them
        if not lost and ("speed" not in given or len(angles) != 1):
            faults.add(place, "Motion is derived from `speed` and one of `wheel_angle` and `road_angle`.")
        if "geometry" in self._context.lost:
            return
        if self._geometry.wheelbase is None:
            faults.add(place, "Motion needs the `wheelbase` under `geometry`.")
        if angles == {"wheel_angle"} and self._geometry.steering_ratio is None:
            faults.add(place, "Motion from a wheel angle needs the `steering_ratio` under `geometry`.")


def _motion_inputs() -> dict[str, FieldType]:
    steering = field_types(Steering)
    return {
        "speed": field_types(Drive)["speed"],
        "wheel_angle": steering["wheel_angle"],
        "road_angle": steering["road_angle"],
    }
