"""Grammar of the topics that records are published on; it becomes what `mapping.topic_rules` holds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.mapping.reading.marks import Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import Key, Section, made
from canmap.mapping.reading.shapes import (
    NONE,
    as_it_is,
    integer,
    list_of,
    number,
    or_none,
    placed_text,
    time_ns,
    word,
    yes_no,
)
from canmap.mapping.topic_rules import OWN, STANDARD_MESSAGES, TopicRule
from canmap.vocabulary.ros_names import is_frame, topic_fault

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context

_SIDE = 6  # x, y, z, and the rotations about them
_SMALLEST, _LARGEST = 10**-30, 10**30  # variances that a float holds with room to spare
_DEEPEST = 10_000  # messages
_NOT_COVARIANCE = "This is no covariance: it must be symmetric, and positive in every direction."
_ZERO = (
    "A variance is never zero, as nothing is known exactly: write one from 1e-30 to 1e30, "
    "a large one such as 1e6 for what is not measured."
)

# --- one topic ---------------------------------------------------------------------------------------


def _name(node: Node, context: Context) -> str | None:
    """Read the name of a topic."""
    found = placed_text(node, context)
    if found is not None and (why := topic_fault(found.text)):
        context.faults.add(found.place, f"{shown(found.text)} is not a name for a topic: it {why}.")
        return None
    return found.text if found else None


def frame(node: Node, context: Context) -> str | None:
    """Read the name of a coordinate frame."""
    found = placed_text(node, context)
    if found is not None and not is_frame(found.text):
        text = (
            f"{shown(found.text)} is not a name for a frame: write it like base_link, without a / before it."
        )
        context.faults.add(found.place, text)
        return None
    return found.text if found else None


_reliability = word("a reliability", ("reliable", "best_effort"))
_durability = word("a durability", ("volatile", "transient_local"))
_deadline = or_none(time_ns)


def _reliable(node: Node, context: Context) -> bool | None:
    found = _reliability(node, context)
    return None if found is None else found == "reliable"


def _transient_local(node: Node, context: Context) -> bool | None:
    found = _durability(node, context)
    return None if found is None else found == "transient_local"


def _deadline_ns(node: Node, context: Context) -> int | None:
    """Read a deadline in ns, 0 for none."""
    found = _deadline(node, context)
    return 0 if isinstance(found, str) else found


NAME = Key("name", _name)
FRAME = Key("frame", frame)
TOPIC = Section(
    "a topic",
    (
        NAME,
        FRAME,
        Key("reliability", _reliable, field="reliable"),
        Key("durability", _transient_local, field="transient_local"),
        Key("depth", integer(1, _DEEPEST)),
        Key("deadline", _deadline_ns, field="deadline_ns"),
    ),
)
FRAMELESS_TOPIC = Section("a topic without a frame", tuple(key for key in TOPIC.keys if key is not FRAME))
_topic = made(TOPIC, TopicRule)
_frameless_topic = made(FRAMELESS_TOPIC, TopicRule)


def topic(node: Node, context: Context) -> TopicRule | None:
    """Read what is said of a topic; `none` for no topic."""
    return _said(_topic(node, context) if not is_none(node) else TopicRule(published=False), node)


def frameless_topic(node: Node, context: Context) -> TopicRule | None:
    """Read the same of a topic whose messages have no frame."""
    return _said(_frameless_topic(node, context) if not is_none(node) else TopicRule(published=False), node)


def _said(rule: TopicRule | None, node: Node) -> TopicRule | None:
    return replace(rule, line=node.place.line) if rule else None


def is_none(node: Node) -> bool:
    """Tell whether the word `none` stands there."""
    return isinstance(node, Scalar) and node.text == NONE


# --- the topics of a record --------------------------------------------------------------------------

_numbers = list_of(number, "numbers", _SIDE, _SIDE**2)


def _covariance(node: Node, context: Context) -> tuple[float, ...] | None:
    """Read the 6 values of the diagonal, or all 36 row by row; return 36."""
    values = _numbers(node, context)
    if values is None:
        return None
    if len(values) not in {_SIDE, _SIDE**2}:
        text = f"A covariance has {_SIDE} values, its diagonal, or {_SIDE**2}, not {len(values)}."
        context.faults.add(node.place, text)
        return None
    if len(values) == _SIDE:
        rows = [[value if i == j else value * 0 for j in range(_SIDE)] for i, value in enumerate(values)]
    else:
        rows = [list(values[start : start + _SIDE]) for start in range(0, _SIDE**2, _SIDE)]
    if not all(_SMALLEST <= rows[i][i] <= _LARGEST for i in range(_SIDE)):
        context.faults.add(node.place, _ZERO)
        return None
    if not _is_covariance(rows):
        context.faults.add(node.place, _NOT_COVARIANCE)
        return None
    return tuple(float(value) for row in rows for value in row)


def _is_covariance(rows: Sequence[Sequence[Fraction]]) -> bool:
    """Tell whether a matrix is symmetric and positive definite, exactly (by elimination)."""
    left = [list(row) for row in rows]
    if any(left[i][j] != left[j][i] for i in range(_SIDE) for j in range(i)):
        return False
    for step in range(_SIDE):
        pivot = left[step][step]
        if pivot <= 0:
            return False
        for i in range(step + 1, _SIDE):
            share = left[i][step] / pivot
            left[i] = [one - share * other for one, other in zip(left[i], left[step], strict=True)]
    return True


OWN_TOPIC = Key(OWN, topic)
POSE_COVARIANCE = Key("pose_covariance", _covariance)
TWIST_COVARIANCE = Key("twist_covariance", _covariance)
TRANSFORM = Key("transform", yes_no)
STANDARD_TOPICS = {name: Key(name, topic) for messages in STANDARD_MESSAGES.values() for name in messages}
_OF_MOTION: tuple[Key[object], ...] = (POSE_COVARIANCE, TWIST_COVARIANCE, TRANSFORM)
TOPICS_OF_RECORD = Section("the topics of a record", (OWN_TOPIC, *STANDARD_TOPICS.values(), *_OF_MOTION))


def topics_of(type_name: str) -> Section:
    """Return the section about the topics of a record of a type."""
    standard = (STANDARD_TOPICS[name] for name in STANDARD_MESSAGES.get(type_name, ()))
    further = _OF_MOTION if type_name == "Motion" else ()
    article = "an" if type_name[0] in "AEIOU" else "a"
    return Section(f"{article} {type_name} record", (OWN_TOPIC, *standard, *further))


# --- all topics --------------------------------------------------------------------------------------

BASE_FRAME_KEY = Key("base_frame", frame)
ODOM_FRAME_KEY = Key("odom_frame", frame)
STOP_ACTIVE = Key("stop_active", frameless_topic)
DIAGNOSTICS = Key("diagnostics", frameless_topic)
RECORD_TOPICS: Key[Node] = Key("records", as_it_is)
TOPICS = Section(
    "the section `topics`", (BASE_FRAME_KEY, ODOM_FRAME_KEY, STOP_ACTIVE, DIAGNOSTICS, RECORD_TOPICS)
)
