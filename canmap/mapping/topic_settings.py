"""From what the grammar read of the topics to the `TopicRules` of the spec; the records are known by then."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.mapping.reading import topic_grammar as g
from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import WHOLE, mapping
from canmap.mapping.topic_rules import (
    BASE_FRAME,
    ODOM_FRAME,
    OWN,
    STANDARD_MESSAGES,
    UNSAID,
    RecordTopics,
    TopicRule,
    TopicRules,
)
from canmap.vocabulary.record_types import DEMAND_TYPES
from canmap.vocabulary.ros_names import DEMANDS, KEPT_TOPICS, is_for_commands

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.model import RecordRule
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.vocabulary.record_types import Record


def topic_rules(
    values: SectionValues | None, records: Node | None, made: tuple[RecordRule, ...], context: Context
) -> TopicRules:
    """Resolve the section ``topics``.

    Args:
        values: What was read of it; None for none.
        records: The section ``records``, whose names may be written; None for none.
        made: The records that could be read, for their types.
        context: Takes faults.
    """
    if values is None:
        return TopicRules()
    types: dict[str, type[Record] | None] = dict.fromkeys(
        records.pairs if isinstance(records, Entries) else ()
    )
    types |= {rule.name: rule.type for rule in made}
    node = values.get(g.RECORD_TOPICS)
    entries = mapping(node, context, "the list of records with their topics") if node is not None else None
    pairs = entries.pairs if entries else {}
    names = _Names(context)
    found: dict[str, RecordTopics] = {}
    for name, settings in pairs.values():
        if name.text not in types:
            _tell_unknown(name, types, context)
        read = _of_record(settings, types.get(name.text), context)
        if read is not None and name.text in types:
            found[name.text] = replace(read, line=name.place.line)
            names.check(settings, types[name.text], read)
    for key in (g.STOP_ACTIVE, g.DIAGNOSTICS):
        if values.has(key):
            names.check_one(values.nodes[key.name][1], values.get(key), absolute=key is g.DIAGNOSTICS)
    _tell_second_parent(found, pairs, context)
    return TopicRules(
        base_frame=values.get(g.BASE_FRAME_KEY) or BASE_FRAME,
        odom_frame=values.get(g.ODOM_FRAME_KEY) or ODOM_FRAME,
        stop_active=values.get(g.STOP_ACTIVE) or UNSAID,
        diagnostics=values.get(g.DIAGNOSTICS) or UNSAID,
        records=found,
    )


def _tell_unknown(name: Scalar, types: Mapping[str, object], context: Context) -> None:
    """Tell that the spec has no such record, unless that follows from another mistake."""
    if not {"records", WHOLE} & context.lost:
        hint = context.faults.hint(name.text, types)
        context.faults.add(name.place, f"The spec has no record {shown(name.text)}{hint}")


def _of_record(node: Node, type_: type[Record] | None, context: Context) -> RecordTopics | None:
    """Read what is said of the topics of a record; of one of an unknown type only for its mistakes."""
    if g.is_none(node):
        return RecordTopics(published=False)
    section = g.topics_of(type_.__name__) if type_ else g.TOPICS_OF_RECORD
    values = section(node, context)
    if values is None:
        return None
    keys = {OWN: g.OWN_TOPIC, **g.STANDARD_TOPICS}
    rules = {name: rule for name, key in keys.items() if (rule := values.get(key))}
    return RecordTopics(
        rules=rules,
        pose_covariance=values.get(g.POSE_COVARIANCE) or (),
        twist_covariance=values.get(g.TWIST_COVARIANCE) or (),
        transform=bool(values.get(g.TRANSFORM)),
    )


class _Names:
    """Judges the names that the spec gives topics."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._first: dict[str, Scalar] = {}

    def check(self, node: Node, type_: type[Record] | None, read: RecordTopics) -> None:
        """Tell what is wrong with the names of a record's topics."""
        for word in (OWN, *STANDARD_MESSAGES.get(type_.__name__ if type_ else "", ())):
            settings = node.value(word) if isinstance(node, Entries) else None
            self.check_one(settings, read.rules.get(word), demand=type_ in DEMAND_TYPES)

    def check_one(
        self, node: Node | None, rule: TopicRule | None, *, demand: bool = False, absolute: bool = False
    ) -> None:
        """Tell what is wrong with the name of one topic."""
        written = node.value(g.NAME.name) if isinstance(node, Entries) else None
        if rule is None or rule.name is None or not isinstance(written, Scalar):
            return
        name, plain = rule.name, rule.name.removeprefix("/")
        text = ""
        if name.startswith("/") and not absolute:
            text = "must not begin with /, so that a namespace can be put before it"
        elif plain in KEPT_TOPICS and not (absolute and plain == "diagnostics"):
            text = "has a meaning of its own in ROS 2; choose another name"
        elif demand and not name.startswith(DEMANDS):
            text = f"must begin with {DEMANDS}, as a controller could obey a demand that was only seen"
        elif not demand and is_for_commands(name):
            text = "has a name by which controllers take commands; choose another one for a report"
        elif (first := self._first.setdefault(plain, written)) is not written:
            text = f"is given twice; first on {self._context.line(first.place)}"
        if text:
            self._context.faults.add(written.place, f"The topic {shown(name)} {text}.")


def _tell_second_parent(
    found: Mapping[str, RecordTopics], pairs: Mapping[str, tuple[Scalar, Node]], context: Context
) -> None:
    """Tell of a second pose that would be broadcast, as a frame has one parent (REP-105)."""
    broadcast = [name for name, topics in found.items() if topics.transform]
    for name in broadcast[1:]:
        text = f"The pose of {broadcast[0]} is broadcast already, and a frame has one parent."
        context.faults.add(pairs[name][0].place, text)
