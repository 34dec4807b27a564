"""Grammar of what a manual promises beyond how messages come; it becomes what `mapping.manual` holds.

It is read as strictly as the rest, names, labels and units included.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from canmap.mapping.manual import (
    CounterRule,
    EnableRule,
    FrozenRule,
    RailedRule,
    StateMachineRule,
    TransitionRule,
    VerifiedOn,
)
from canmap.mapping.reading.marks import Items, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.raw_codes import code_list, conditions
from canmap.mapping.reading.sections import Key, Section, SectionValues, made, mapping
from canmap.mapping.reading.shapes import (
    Seen,
    any_quantity,
    as_it_is,
    difference,
    each,
    fits,
    integer,
    list_of,
    named,
    one_or_list,
    placed_text,
    record_field,
    signal,
    text,
    time_ns,
    word,
    yes_no,
)
from canmap.vocabulary.units import UNITS, find_unit

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context
    from canmap.vocabulary.units import Measure

_CODE = integer(0, 2**32 - 1)
_SHA256 = re.compile(r"[0-9a-fA-F]{64}")

# --- one message -------------------------------------------------------------------------------------

COUNTER = Section(
    "a counter",
    (
        Key("signal", signal, required=True),
        Key("step", integer(1, 255)),
        Key("start", _CODE),
        Key("wrap", _CODE),  # the last value before it starts again
        Key("reserved", one_or_list(_CODE, "values")),
        Key("per", word("what a counter counts", ("message", "sender", "multiplexer"))),
        Key("on_change", yes_no),
        Key("largest_delta", integer(1, 2**32 - 1)),
    ),
)
counter = made(COUNTER, CounterRule)

# --- states ------------------------------------------------------------------------------------------

_FROM: Key[Node] = Key("from", as_it_is, required=True)
_TO: Key[Node] = Key("to", as_it_is, required=True)
_WITHIN = Key("within", time_ns, field="within_ns")
_AT_LEAST_AFTER = Key("at_least_after", time_ns)
_WHEN = Key("when", conditions)
_PAGE = Key("page", text)
TRANSITION = Section("a transition", (_FROM, _TO, _WITHIN, _AT_LEAST_AFTER, _WHEN, _PAGE))
ANY = "any"  # how a spec says "from any state"
_ENABLE_SIGNAL = Key("signal", signal, required=True)
_EDGE = Key("edge", word("an edge", ("rising", "falling")))
_LOW_FOR = Key("low_for", time_ns)
_ENABLE_TO: Key[Node] = Key("to", as_it_is)
ENABLE = Section(
    "an enable",
    (_ENABLE_SIGNAL, _EDGE, _LOW_FOR, _WHEN, _WITHIN, _ENABLE_TO, _PAGE),
)
_STATE_SIGNAL = Key("signal", signal, required=True)
_TRANSITIONS = Key("transitions", list_of(TRANSITION, "transitions"))
_LONGEST: Key[Node] = Key("longest", as_it_is)
_ENABLE = Key("enable", ENABLE)
_ACTIVE: Key[Node] = Key("active", as_it_is)
_OVERRIDDEN: Key[Node] = Key("overridden", as_it_is)
MACHINE = Section(
    "a state machine", (_STATE_SIGNAL, _TRANSITIONS, _LONGEST, _ENABLE, _ACTIVE, _OVERRIDDEN, _PAGE)
)


def _machine(node: Node, context: Context) -> StateMachineRule | None:
    """Read a state machine; its states are labels or raw codes of its signal."""
    values = MACHINE(node, context)
    found = values.get(_STATE_SIGNAL) if values else None
    if values is None or found is None:
        return None
    transitions = [_transition(one, found, context) for one in values.get(_TRANSITIONS) or ()]
    active = _named_states(values.get(_ACTIVE), "active", found, context)
    if values.has(_ACTIVE) and not active:
        return None
    return StateMachineRule(
        name=context.subject,
        signal=found.ref,
        transitions=tuple(transitions),
        longest_ns=_longest_ns(values.get(_LONGEST), found, context),
        enable=_enable(values.get(_ENABLE), found, context),
        active=active,
        overridden=_named_states(values.get(_OVERRIDDEN), "overridden", found, context),
        page=values.get(_PAGE) or "",
    )


def _named_states(node: Node | None, name: str, found: FoundSignal, context: Context) -> tuple[int, ...]:
    """Read the states in which an axis acts, or is overridden; by default those that are labelled so."""
    if node is not None:
        return code_list(node, found, context) or ()
    return tuple(code for code, label in found.signal.labels.items() if label.lower() == name)


def _enable(values: SectionValues | None, found: FoundSignal, context: Context) -> EnableRule | None:
    bit = values.get(_ENABLE_SIGNAL) if values else None
    if values is None or bit is None:
        return None
    to = values.get(_ENABLE_TO)
    return EnableRule(
        signal=bit.ref,
        edge=values.get(_EDGE) or "rising",
        when=values.get(_WHEN) or (),
        within_ns=values.get(_WITHIN),
        low_for_ns=values.get(_LOW_FOR),
        to=() if to is None else code_list(to, found, context) or (),
        page=values.get(_PAGE) or "",
    )


def _transition(values: SectionValues, found: FoundSignal, context: Context) -> TransitionRule:
    ends = [values.get(end) for end in (_FROM, _TO)]
    if isinstance(ends[0], Scalar) and ends[0].text == ANY and ANY not in found.signal.labels.values():
        ends[0] = None
    origin, target = (() if end is None else code_list(end, found, context) or () for end in ends)
    return TransitionRule(
        origin=origin,
        target=target,
        within_ns=values.get(_WITHIN),
        at_least_after_ns=values.get(_AT_LEAST_AFTER),
        when=values.get(_WHEN) or (),
        page=values.get(_PAGE) or "",
    )


def _longest_ns(node: Node | None, found: FoundSignal, context: Context) -> dict[int, int]:
    """Read the longest times, by raw code."""
    entries = mapping(node, context, "the list of longest times") if node is not None else None
    seen = Seen(context)
    longest: dict[int, int] = {}
    for state, time in entries.pairs.values() if entries else ():
        codes, limit_ns = code_list(state, found, context), time_ns(time, context)
        if codes is not None and seen.first(state, codes) and limit_ns is not None:
            longest |= dict.fromkeys(codes, limit_ns)
    return longest


STATE_MACHINES = named("the list of state machines", _machine)

# --- the vehicle -------------------------------------------------------------------------------------


def node_that_sends(node: Node, context: Context) -> str | None:
    """Read the name of a node that sends."""
    found = placed_text(node, context)
    if found is None:
        return None
    if context.names.complete and found.text not in context.names.nodes:
        hint = context.faults.hint(found.text, sorted(context.names.nodes))
        context.faults.add(found.place, f"No message is sent by a node {shown(found.text)}{hint}")
    return found.text


SUPPLY_GROUPS = named("the list of supply groups", list_of(node_that_sends, "nodes"))


def _hash(node: Node, context: Context) -> str | None:
    found = placed_text(node, context)
    if found and not _SHA256.fullmatch(found.text.removeprefix("sha256:")):
        text = f"{shown(found.text)} is not a SHA-256 hash of 64 hexadecimal digits."
        context.faults.add(found.place, text)
    return found.text if found else None


def _bus_name(node: Node, context: Context) -> str | None:
    found = placed_text(node, context)
    if found and context.names.buses and found.text not in context.names.buses:
        hint = context.faults.hint(found.text, context.names.buses)
        context.faults.add(found.place, f"There is no bus {shown(found.text)}{hint}")
        return None
    return found.text if found else None


def _hashes(node: Node, context: Context) -> dict[str, str] | None:
    entries = _read_hashes(node, context)
    return None if entries is None else {entry.key: entry.value for entry in entries}


_read_hashes = each("the list of hashes", _bus_name, lambda _, node, context: _hash(node, context))
VERIFIED_ON = Section(
    "what a spec was verified on",
    (Key("firmware", text), Key("manual", text), Key("date", text), Key("descriptions", _hashes)),
)
verified_on = made(VERIFIED_ON, VerifiedOn)

# --- one field ---------------------------------------------------------------------------------------


def _speed_point(node: Node, context: Context) -> tuple[Measure, ...] | None:
    point = list_of(any_quantity, "values, a speed and a limit", 2, 2)(node, context)
    place = node.items[0].place if isinstance(node, Items) and node.items else node.place
    return point if point and fits(point[0], UNITS["m/s"].dimension, place, context) else None


SPEED_POINTS = Key("points", list_of(_speed_point, "points", 2), required=True)
SPEED = Key("speed", record_field, required=True)
PAGE = Key("page", text)
RANGE_BY_SPEED = Section("a range by speed", (SPEED, SPEED_POINTS, PAGE))
LONGER_THAN = Key("longer_than", time_ns, required=True)
RELATED = Key("while", record_field, required=True)
MOVES = Key("moves", difference, required=True)
FROZEN = Section("what counts as frozen", (LONGER_THAN, RELATED, MOVES, PAGE))
AT = Key("at", word("an end of the raw values", ("low", "high", "both")))
RAILED = Section("what counts as railed", (LONGER_THAN, AT, PAGE))


def range_by_speed(node: Node, context: Context) -> SectionValues | None:
    """Read a limit that falls or grows with the vehicle's speed."""
    values = RANGE_BY_SPEED(node, context)
    found = values.get(SPEED) if values else None
    if values and found and found[1].unit != "m/s":
        text = f"The field {found[0]}.{found[1].name} is not a speed."
        context.faults.add(values.place_of(SPEED), text)
    return values


def frozen(node: Node, context: Context) -> FrozenRule | None:
    """Read when a value is frozen: it stays the same while another one moves."""
    values = FROZEN(node, context)
    if values is None:
        return None
    longer_than_ns, related, moves = values.get(LONGER_THAN), values.get(RELATED), values.get(MOVES)
    if related and related[1].kind is not float:
        text_ = f"The field {related[0]}.{related[1].name} is not a quantity."
        context.faults.add(values.place_of(RELATED), text_)
        return None
    wanted = find_unit(related[1].unit) if related else None
    if moves and wanted and not fits(moves, wanted.dimension, values.place_of(MOVES), context):
        return None
    if longer_than_ns is None or related is None or moves is None:
        return None
    return FrozenRule(
        longer_than_ns=longer_than_ns,
        related=(related[0], related[1].name),
        moves=moves.si,
        unit=moves.unit.name,
        unit_factor=float(moves.unit.factor),
        page=values.get(PAGE) or "",
    )


def railed(node: Node, context: Context) -> RailedRule | None:
    """Read when a signal is railed: it stands at an end of what its bits can hold."""
    values = RAILED(node, context)
    longer_than_ns = values.get(LONGER_THAN) if values else None
    if values is None or longer_than_ns is None:
        return None
    return RailedRule(longer_than_ns=longer_than_ns, at=values.get(AT) or "both", page=values.get(PAGE) or "")
