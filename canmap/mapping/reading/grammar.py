"""The grammar of a mapping spec, as tables: each section, its keys, and what each key holds.

What a manual promises beyond how messages come stands in `promises`, a record's fields in `field_grammar`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import seconds
from canmap.mapping.manual import GOES_ON, HOLD, REACTIONS, DemandLimit
from canmap.mapping.model import Selected, Trigger
from canmap.mapping.reading import fault_grammar, trouble_grammar
from canmap.mapping.reading import override_grammar as o
from canmap.mapping.reading import promises as p
from canmap.mapping.reading import topic_grammar as t
from canmap.mapping.reading.checksum_grammar import checksum
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.raw_codes import code_list, conditions
from canmap.mapping.reading.relay_grammar import latency, relay
from canmap.mapping.reading.sections import Key, Section, mapping, scalar
from canmap.mapping.reading.shapes import (
    Entry,
    about_message,
    any_quantity,
    as_it_is,
    difference,
    each,
    fits,
    integer,
    list_of,
    message,
    named,
    number,
    one_or_list,
    or_none,
    placed_text,
    quantity,
    signal,
    text,
    time_ns,
    unit,
    word,
    yes_no,
)
from canmap.vocabulary.units import UNITS, find_unit, number_advice, parse_number, per_second

if TYPE_CHECKING:
    from fractions import Fraction

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, SectionValues

    SelectionEntry = Entry[Selected, SectionValues]

# --- the vehicle and its buses -----------------------------------------------------------------------


def _ratio(node: Node, context: Context) -> Fraction | None:
    """Read a ratio greater than zero: 15.4 or 15.4:1."""
    found = scalar(node, context, "a ratio such as 15.4")
    value = parse_number(found.text.removesuffix(":1")) if found else None
    if found and (value is None or value <= 0):
        advice = number_advice(found.text)
        stated = f": {advice}." if advice else " is not a ratio greater than zero, such as 15.4."
        context.faults.add(found.place, f"{shown(found.text)}{stated}")
        return None
    return value


WHEELBASE = Key("wheelbase", quantity("m", positive=True))
TRACK = Key("track", quantity("m", positive=True))
STEERING_RATIO = Key("steering_ratio", _ratio)
ROLLING_RADIUS = Key("rolling_radius", quantity("m", positive=True))
REAR_AXLE, FRONT_AXLE = "rear_axle", "front_axle"
_ahead = quantity("m")


def _reference_point(node: Node, context: Context) -> str | Fraction | None:
    """Read where the origin of the vehicle's frame is: an axle, or how far ahead of the rear axle, in m."""
    found = scalar(node, context, "an axle, or a length ahead of the rear axle such as 0.93 m")
    if found is None:
        return None
    if found.text[:1].isalpha():
        return word("a reference point", (REAR_AXLE, FRONT_AXLE))(found, context)
    ahead = _ahead(found, context)
    return ahead.si if ahead else None


REFERENCE_POINT: Key[str | Fraction] = Key("reference_point", _reference_point)
GEOMETRY = Key(
    "geometry",
    Section("the geometry", (WHEELBASE, TRACK, STEERING_RATIO, ROLLING_RADIUS, REFERENCE_POINT)),
)

DESCRIPTION = Key("description", placed_text, required=True)
CHANNEL = Key("channel", placed_text)
BIT_RATE = Key("bit_rate", quantity("bit/s", positive=True))
DATA_BIT_RATE = Key("data_bit_rate", quantity("bit/s", positive=True))
PARAMETER_GROUP = "parameter_group"
MATCH = Key("match", word("what messages are known by", ("identifier", PARAMETER_GROUP)))
BUS = Section("a bus", (DESCRIPTION, CHANNEL, BIT_RATE, DATA_BIT_RATE, MATCH))
BUSES = Key("buses", named("the list of buses", BUS), required=True)

# --- where the description is wrong ------------------------------------------------------------------

REASON = Key("reason", text, required=True)
FACTOR = Key("factor", number)
OFFSET = Key("offset", number)
MINIMUM: Key[Fraction | str] = Key("minimum", or_none(number))
MAXIMUM: Key[Fraction | str] = Key("maximum", or_none(number))
UNIT = Key("unit", text)
BYTE_ORDER = Key("byte_order", word("a byte order", ("little_endian", "big_endian")))
SIGNED = Key("signed", yes_no)
START_BIT = Key("start_bit", integer(0, 511))
BITS = Key("bits", integer(1, 64))
LABELS: Key[Node] = Key("labels", as_it_is)
SELECTOR = Key("selector", text)
CORRECT_SIGNAL = Section(
    "a correction of a signal",
    (REASON, FACTOR, OFFSET, MINIMUM, MAXIMUM, UNIT, BYTE_ORDER, SIGNED, START_BIT, BITS, LABELS, SELECTOR),
)
CORRECT_PERIOD: Key[int | str] = Key("period", or_none(time_ns))
CORRECT_SENDER = Key("sender", text)
CORRECT_LENGTH = Key("length", integer(0, 64))
CORRECT_MESSAGE = Section(
    "a correction of a message", (REASON, CORRECT_PERIOD, CORRECT_SENDER, CORRECT_LENGTH)
)

# --- how messages come -------------------------------------------------------------------------------


def _sender(node: Node, context: Context) -> str | None:
    """Read the node that sends, which from then on is a known node."""
    name = text(node, context)
    if name:
        context.names.nodes.add(name)
    return name


TRIGGERS = tuple(trigger.value for trigger in Trigger if trigger is not Trigger.UNPROMISED)

PERIOD = Key("period", time_ns)
STALE_AFTER = Key("stale_after", time_ns)
SENDER = Key("sender", _sender)
SOURCE = Key("source", integer(0, 0xFD))
TRIGGER = Key("trigger", word("what makes a message come", TRIGGERS))
HEARTBEAT = Key("heartbeat", time_ns)
ACTIVE_WHEN = Key("active_when", conditions)
START_UP = Key("start_up", time_ns)
MINIMUM_GAP = Key("minimum_gap", time_ns)
SELECTION = Section("what is promised of a multiplexer value", (PERIOD, STALE_AFTER, MINIMUM_GAP))


def _multiplexer(found: FoundSignal, node: Node, context: Context) -> tuple[SelectionEntry, ...] | None:
    """Read what is promised of the values of a multiplexer: {0: {period: 100 ms}, Cells: {period: 1 s}}."""
    if (of := context.message) and (found.bus, found.message.name) != (of.bus, of.message.name):
        context.faults.add(node.place, f"{found.text} is not a signal of {of.message.name}.")
        return None
    entries = mapping(node, context, "the list of multiplexer values")
    read = []
    for scalar_, value in entries.pairs.values() if entries else ():
        codes = code_list(scalar_, found, context)
        values = SELECTION(value, context)
        if codes and values:
            read.append(Entry(scalar_.place, Selected(found.signal.name, codes, scalar_.text), values))
    return tuple(read)


def _unknown_multiplexer(node: Node, context: Context) -> None:
    """Read what is promised of the values of a multiplexer that is not known."""
    entries = mapping(node, context, "the list of multiplexer values")
    for _, value in entries.pairs.values() if entries else ():
        SELECTION(value, context)


COUNTER = Key("counter", p.counter)
CHECKSUM = Key("checksum", checksum)
RELAY_OF = Key("relay_of", relay)
LATENCY = Key("latency", latency)
MESSAGE_PAGE = Key("page", text)
MULTIPLEXED = Key(
    "multiplexed", each("the list of multiplexers", signal, _multiplexer, below=_unknown_multiplexer)
)
MESSAGE = Section(
    "a message",
    (
        PERIOD,
        STALE_AFTER,
        SENDER,
        SOURCE,
        TRIGGER,
        ACTIVE_WHEN,
        START_UP,
        MINIMUM_GAP,
        HEARTBEAT,
        MULTIPLEXED,
        COUNTER,
        CHECKSUM,
        RELAY_OF,
        LATENCY,
        MESSAGE_PAGE,
    ),
)
MESSAGES = Key("messages", about_message(MESSAGE))

WATCHDOG = Key("watchdog", time_ns)
FIRST = Key("first", word("a reaction", REACTIONS), required=True)
THEN = Key("then", word("a reaction", REACTIONS))
FOR = Key("for", time_ns)
REACTION_IN_STEPS = Section("a reaction", (FIRST, FOR, THEN))


def _reaction(node: Node, context: Context) -> tuple[str, str, int | None] | None:
    """Read what the kit does: the first word, "" for none; all of it in words; for how long it may act."""
    if not isinstance(node, Entries):
        words = text(node, context)
        return ("", words, None) if words else None
    values = REACTION_IN_STEPS(node, context)
    first = values.get(FIRST) if values else None
    if values is None or first is None:
        return None
    then, for_ns = values.get(THEN), values.get(FOR)
    if for_ns is not None and first not in GOES_ON:
        context.faults.add(values.place_of(FOR), f"`for` is the time of {' and '.join(GOES_ON)} alone.")
        return None
    at_most = "" if first == HOLD else " at most"
    time = f" for{at_most} {seconds(for_ns)}" if for_ns else ""
    return first, f"it has to {first}{time}" + (f", then {then}" if then else ""), for_ns


REACTION = Key("reaction", _reaction)
OBEYED_WHEN = Key("valid_when", conditions)
FRESH_WHEN, ASKS_WHEN = Key("fresh_when", conditions), Key("asks_when", conditions)
TOLERATES = Key("tolerates", integer(0, 1000))
WATCHDOG_WITH = Key("watchdog_with", one_or_list(message, "messages"))
STATE_MACHINE = Key("state_machine", placed_text)
DEMAND_PAGE = Key("page", text)


def _is_of_demand(found: FoundSignal, node: Node, context: Context) -> bool:
    if (of := context.message) and (found.bus, found.message.name) != (of.bus, of.message.name):
        context.faults.add(node.place, f"{found.text} is not a signal of {of.message.name}.")
        return False
    return True


def _largest_step(found: FoundSignal, node: Node, context: Context) -> DemandLimit | None:
    """Read by how much a signal of the demand may change from one frame to the next."""
    if not _is_of_demand(found, node, context):
        return None
    step, unit = difference(node, context), find_unit(found.signal.unit)
    if step is None or (unit is not None and not fits(step, unit.dimension, node.place, context)):
        return None
    return DemandLimit(found.ref, step.value if unit is None else step.si / unit.factor, is_rate=False)


def _fastest_change(found: FoundSignal, node: Node, context: Context) -> DemandLimit | None:
    """Read by how much a signal of the demand may change in a second."""
    if not _is_of_demand(found, node, context):
        return None
    rate, unit = any_quantity(node, context), find_unit(found.signal.unit) or UNITS["1"]
    if rate is None or not fits(rate, per_second(unit.dimension), node.place, context):
        return None
    if rate.si <= 0:
        context.faults.add(node.place, "The value must be greater than zero.")
        return None
    return DemandLimit(found.ref, rate.si / unit.factor, is_rate=True)


LARGEST_STEP = Key("largest_step", each("the list of steps", signal, _largest_step, below=any_quantity))
FASTEST_CHANGE = Key("slew", each("the list of changes", signal, _fastest_change, below=any_quantity))
_REQUIRED = word("what makes a demand valid", ("counter", "checksum", "enable", "range", "step", "slew"))
REQUIRES = Key("requires", one_or_list(_REQUIRED, "words"))
DEMAND = Section(
    "a demand",
    (
        WATCHDOG,
        REACTION,
        OBEYED_WHEN,
        FRESH_WHEN,
        ASKS_WHEN,
        REQUIRES,
        LARGEST_STEP,
        FASTEST_CHANGE,
        TOLERATES,
        WATCHDOG_WITH,
        STATE_MACHINE,
        DEMAND_PAGE,
    ),
)
DEMANDS = Key("demands", about_message(DEMAND))

# --- records of the spec's own -----------------------------------------------------------------------

OWN_UNIT = Key("unit", unit)
OWN_KIND = Key("kind", word("a kind of choice", ("bool", "int")))
OWN_STATES = Key("states", list_of(placed_text, "states", 2, 200))
OWN_MEANING = Key("meaning", text)
OWN_FIELD = Section("a field of a record type", (OWN_UNIT, OWN_KIND, OWN_STATES, OWN_MEANING))
OWN_FIELDS = Key(
    "fields",
    each("the list of fields", placed_text, lambda _, node, context: OWN_FIELD(node, context)),
    required=True,
)

OWN_TYPE = Section("a record type", (OWN_FIELDS,))
RECORD_TYPES = Key(
    "record_types",
    each("the list of record types", placed_text, lambda _, node, context: OWN_TYPE(node, context)),
)
RECORDS: Key[Node] = Key("records", as_it_is)
TOPICS = Key("topics", t.TOPICS)

# --- the whole ---------------------------------------------------------------------------------------

VEHICLE = Key("vehicle", text, required=True)
VERIFIED_ON = Key("verified_on", p.verified_on)
SUPPLY_GROUPS = Key("supply_groups", p.SUPPLY_GROUPS)
FAULTS = Key("faults", fault_grammar.FAULTS)
TROUBLE_CODES = Key("trouble_codes", trouble_grammar.TROUBLE_CODES_OF)
REDUNDANT: Key[Node] = Key("redundant", as_it_is)
STATE_MACHINES = Key("state_machines", p.STATE_MACHINES)
OVERRIDES = Key("overrides", o.OVERRIDES)
AXES: Key[Node] = Key("axes", as_it_is)
NODES: Key[Node] = Key("nodes", as_it_is)
STOP_CHAIN: Key[Node] = Key("stop_chain", as_it_is)
SPEC = Section(
    "a spec",
    (
        VEHICLE,
        VERIFIED_ON,
        GEOMETRY,
        Key("buses", as_it_is, required=True),
        Key("correct", as_it_is),
        MESSAGES,
        DEMANDS,
        SUPPLY_GROUPS,
        FAULTS,
        TROUBLE_CODES,
        REDUNDANT,
        STATE_MACHINES,
        OVERRIDES,
        AXES,
        NODES,
        STOP_CHAIN,
        RECORD_TYPES,
        RECORDS,
        TOPICS,
    ),
    is_file=True,
)
