"""Grammar of what a manual promises and canmap does not judge yet.

Everything here is read as strictly as the rest, names, labels and units included, so that a spec written
today stays right; `grammar` hangs it in with ``judged=False``, which gives its user a note.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from canmap.mapping.description.bits import LONGEST_SIGNAL
from canmap.mapping.reading.marks import Items, Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.raw_codes import code_list, conditions
from canmap.mapping.reading.sections import Key, Section, SectionValues, mapping
from canmap.mapping.reading.shapes import (
    Seen,
    any_quantity,
    as_integer,
    as_it_is,
    each,
    fits,
    integer,
    list_of,
    message,
    named,
    number,
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
    from canmap.mapping.reading.names import FoundMessage, FoundSignal
    from canmap.mapping.reading.sections import Context
    from canmap.vocabulary.units import Measure

_CODE = integer(0, 2**32 - 1)
# The profiles of the AUTOSAR E2E protocol specification (from memory), and the CRC names common in manuals.
CHECKSUM_PROFILES = (
    *(f"E2E P{number}" for number in ("01", "02", "04", "05", "06", "07", "08", "11", "22", "44")),
    *("crc8", "crc16", "crc32", "sum8", "xor8"),
)
_SHA256 = re.compile(r"[0-9a-fA-F]{64}")

# --- one message -------------------------------------------------------------------------------------

COUNTER = Section(
    "a counter",
    (
        Key("signal", signal, required=True),
        Key("step", integer(1, 255)),
        Key("wrap", _CODE),  # the last value before it starts again
        Key("reserved", one_or_list(_CODE, "values")),
        Key("per", word("what a counter counts", ("message", "sender", "multiplexer"))),
    ),
)
CHECKSUM = Section(
    "a checksum",
    (
        Key("signal", signal, required=True),
        Key("profile", word("a profile of checksums", CHECKSUM_PROFILES), required=True),
        Key("data_id", _CODE),
        Key("bytes", list_of(integer(0, 63), "byte numbers, first and last", 2, 2)),
    ),
)
RELAY = Section(
    "a relay",
    (Key("message", message, required=True), Key("decimation", integer(1, 10000)), Key("delay", time_ns)),
)


def relay(node: Node, context: Context) -> FoundMessage | SectionValues | None:
    """Read which message is passed on: its name, or a `RELAY`."""
    return message(node, context) if isinstance(node, Scalar) else RELAY(node, context)


# --- faults ------------------------------------------------------------------------------------------

FAULT = Section(
    "a fault",
    (
        Key("text", text, required=True),
        Key("severity", word("a severity", ("error", "warning", "note"))),
        Key("reset", text),
        Key("normally_closed", yes_no),
    ),
)


def _signal_faults(found: FoundSignal | None, node: Node, context: Context) -> bool | None:
    """Read the fault that a signal tells, or those of its bits: {0: {...}, 3: {...}}; None: not known."""
    entries = mapping(node, context, "a fault")
    if entries is None:
        return None
    if not entries.pairs or any(as_integer(key) is None for key in entries.pairs):
        return FAULT(node, context) is not None
    bit = integer(0, (found.signal.bits if found else LONGEST_SIGNAL) - 1)
    seen = Seen(context)
    for number_node, fault_node in entries.pairs.values():
        number = bit(number_node, context)
        FAULT(fault_node, context)
        if number is not None:
            seen.first(number_node, number)
    return True


FAULTS = each(
    "the list of faults",
    signal,
    _signal_faults,
    below=lambda node, context: _signal_faults(None, node, context),
)

# --- states ------------------------------------------------------------------------------------------

_FROM: Key[Node] = Key("from", as_it_is, required=True)
_TO: Key[Node] = Key("to", as_it_is, required=True)
TRANSITION = Section(
    "a transition",
    (_FROM, _TO, Key("within", time_ns), Key("at_least_after", time_ns), Key("when", conditions)),
)
ENABLE = Section(
    "an enable",
    (
        Key("signal", signal, required=True),
        Key("edge", word("an edge", ("rising", "falling"))),
        Key("when", conditions),
        Key("within", time_ns),
    ),
)
_STATE_SIGNAL = Key("signal", signal, required=True)
_TRANSITIONS = Key("transitions", list_of(TRANSITION, "transitions"))
_LONGEST: Key[Node] = Key("longest", as_it_is)
MACHINE = Section("a state machine", (_STATE_SIGNAL, _TRANSITIONS, _LONGEST, Key("enable", ENABLE)))


def _machine(node: Node, context: Context) -> SectionValues | None:
    """Read a state machine; its states are labels or raw codes of its signal."""
    values = MACHINE(node, context)
    found = values.get(_STATE_SIGNAL) if values else None
    if values is None or found is None:
        return None
    for transition in values.get(_TRANSITIONS) or ():
        for end in (_FROM, _TO):
            states = transition.get(end)
            if states is not None:
                code_list(states, found, context)
    longest = values.get(_LONGEST)
    entries = mapping(longest, context, "the list of longest times") if longest is not None else None
    seen = Seen(context)
    for state, time in entries.pairs.values() if entries else ():
        codes = code_list(state, found, context)
        time_ns(time, context)
        if codes is not None:
            seen.first(state, codes)
    return values


STATE_MACHINES = named("the list of state machines", _machine)

# --- the vehicle -------------------------------------------------------------------------------------

_PAIR = Key("signals", list_of(signal, "signals", 2, 2), required=True)
_TOLERANCE = Key("tolerance", any_quantity)
REDUNDANT_PAIR = Section(
    "a redundant pair",
    (
        _PAIR,
        Key("slope", word("how the second follows the first", ("same", "half", "inverse", "inverse_half"))),
        Key("sum", number),
        _TOLERANCE,
        Key("within", time_ns),
    ),
)


def _redundant(node: Node, context: Context) -> SectionValues | None:
    """Read a redundant pair; the tolerance is a share of the range, or in the signals' unit."""
    values = REDUNDANT_PAIR(node, context)
    pair, tolerance = (values.get(_PAIR), values.get(_TOLERANCE)) if values else (None, None)
    if values and pair and tolerance and tolerance.unit.dimension != UNITS["%"].dimension:
        _fits_signal(tolerance, pair[0], values, _TOLERANCE, context)
    return values


REDUNDANT = named("the list of redundant pairs", _redundant)

_OVERRIDE_SIGNAL = Key("signal", signal, required=True)
_THRESHOLD = Key("threshold", any_quantity, required=True)
OVERRIDE = Section(
    "an override",
    (_OVERRIDE_SIGNAL, _THRESHOLD, Key("longer_than", time_ns), Key("latched", yes_no), Key("reset", text)),
)


def _override(node: Node, context: Context) -> SectionValues | None:
    """Read what counts as the driver's override."""
    values = OVERRIDE(node, context)
    found, threshold = (values.get(_OVERRIDE_SIGNAL), values.get(_THRESHOLD)) if values else (None, None)
    if values and found and threshold:
        _fits_signal(threshold, found, values, _THRESHOLD, context)
    return values


OVERRIDES = named("the list of overrides", _override)


def _fits_signal(
    value: Measure, found: FoundSignal, values: SectionValues, key: Key[Measure], context: Context
) -> None:
    unit = find_unit(found.signal.unit)
    if unit is not None:
        fits(value, unit.dimension, values.place_of(key), context)


def _node(node: Node, context: Context) -> str | None:
    """Read the name of a node that sends."""
    found = placed_text(node, context)
    if found is None:
        return None
    if context.names.complete and found.text not in context.names.nodes:
        hint = context.faults.hint(found.text, sorted(context.names.nodes))
        context.faults.add(found.place, f"No message is sent by a node {shown(found.text)}{hint}")
    return found.text


SUPPLY_GROUPS = named("the list of supply groups", list_of(_node, "nodes"))


def _hash(node: Node, context: Context) -> str | None:
    found = placed_text(node, context)
    if found and not _SHA256.fullmatch(found.text.removeprefix("sha256:")):
        context.faults.add(found.place, f"{shown(found.text)} is no SHA-256 hash of 64 hexadecimal digits.")
    return found.text if found else None


def _bus_name(node: Node, context: Context) -> str | None:
    found = placed_text(node, context)
    if found and context.names.buses and found.text not in context.names.buses:
        hint = context.faults.hint(found.text, context.names.buses)
        context.faults.add(found.place, f"There is no bus {shown(found.text)}{hint}")
        return None
    return found.text if found else None


VERIFIED_ON = Section(
    "what a spec was verified on",
    (
        Key("firmware", text),
        Key("manual", text),
        Key("date", text),
        Key(
            "descriptions",
            each("the list of hashes", _bus_name, lambda _, node, context: _hash(node, context)),
        ),
    ),
)

# --- one field ---------------------------------------------------------------------------------------


def _speed_point(node: Node, context: Context) -> tuple[Measure, ...] | None:
    point = list_of(any_quantity, "values, a speed and a limit", 2, 2)(node, context)
    place = node.items[0].place if isinstance(node, Items) and node.items else node.place
    return point if point and fits(point[0], UNITS["m/s"].dimension, place, context) else None


SPEED_POINTS = Key("points", list_of(_speed_point, "points", 2), required=True)
_SPEED = Key("speed", record_field, required=True)
RANGE_BY_SPEED = Section("a range by speed", (_SPEED, SPEED_POINTS))


def range_by_speed(node: Node, context: Context) -> SectionValues | None:
    """Read a limit that falls or grows with the vehicle's speed."""
    values = RANGE_BY_SPEED(node, context)
    found = values.get(_SPEED) if values else None
    if values and found and found[1].unit != "m/s":
        text = f"The field {found[0]}.{found[1].name} is no speed."
        context.faults.add(values.place_of(_SPEED), text)
    return values
