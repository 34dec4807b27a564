"""From the merged nodes of a spec and its loaded descriptions to the `Spec` that the engine uses."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.errors import ArgumentError
from canmap.base.words import listed
from canmap.mapping.axis_rules import axis_rules
from canmap.mapping.corrections import corrected, tell_doubts
from canmap.mapping.groups import buses_by_group, grouped
from canmap.mapping.manual_rules import manual
from canmap.mapping.message_rules import promises
from canmap.mapping.model import Bus, Geometry, Spec
from canmap.mapping.node_rules import node_rules
from canmap.mapping.own_types import own_types
from canmap.mapping.pair_rules import pair_rules
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.mistakes import Faults, shown
from canmap.mapping.reading.names import Names
from canmap.mapping.reading.sections import WHOLE
from canmap.mapping.record_rules import record_rules, with_records
from canmap.mapping.stop_rules import stop_rule
from canmap.mapping.topic_settings import topic_rules

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.description.description import Description
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context, Key, SectionValues
    from canmap.mapping.reading.shapes import Entry, T
    from canmap.vocabulary.units import Measure

    BusEntries = tuple[Entry[str, SectionValues], ...]


def part(key: Key[T], root: Entries, context: Context) -> T | None:
    """Read one section of the top mapping ahead of the others; its absence is reported with them."""
    node = _node(root, key.name)
    return None if node is None else key.read(node, context)


def _node(root: Entries, name: str) -> Node | None:
    node = root.value(name)
    return None if isinstance(node, Scalar) and not node.text else node


def resolve(
    path: str,
    root: Entries,
    descriptions: Mapping[str, Description],
    channels: Mapping[str, str],
    context: Context,
) -> Spec:
    """Resolve a spec; it can be used only if `context.faults` stays empty.

    Args:
        path: The file of the spec.
        root: Its nodes, fragments merged.
        descriptions: By bus; one that could not be loaded is missing, and its names are not doubted.
        channels: Bus name to channel, over what the spec says.
        context: Takes faults and notes; knows the names of `descriptions`.
    """
    before = len(context.faults)
    descriptions = corrected(_node(root, "correct"), descriptions, context)
    lost = {"correct"} if len(context.faults) > before else set()
    tell_doubts(descriptions, context)
    context = replace(context, names=Names(context.names.buses, descriptions))
    buses = part(g.BUSES, root, context) or ()
    if buses_by_group(buses):
        stated = part(g.MESSAGES, root, _unheard(context)) or ()
        descriptions = grouped(descriptions, buses, stated, context)
        context = replace(context, names=Names(context.names.buses, descriptions))
    top = g.SPEC.values(root, context)
    if top.lost:
        lost |= {WHOLE, *(key.name for key in g.SPEC.keys if not top.has(key))}
    context = replace(context, lost=frozenset(lost))
    geometry = (
        _STAND_IN
        if top.has(g.GEOMETRY) and not top.get(g.GEOMETRY)
        else _geometry(top.get(g.GEOMETRY), context)
    )
    messages, demands = top.get(g.MESSAGES) or (), top.get(g.DEMANDS) or ()
    in_packets = {entry.value.message for entry in top.get(g.TROUBLE_CODES) or ()}
    promised = promises(descriptions, messages, demands, in_packets, context)
    types = own_types(_node(root, g.RECORD_TYPES.name), top.get(g.RECORD_TYPES) or (), context)
    promised_of_all = manual(top, context)
    records = record_rules(top.get(g.RECORDS), types, promised.holds, geometry, context)
    beside = with_records(top.get(g.RECORDS), records, context)
    return Spec(
        path=path,
        vehicle=top.get(g.VEHICLE) or "",
        geometry=geometry,
        buses=_buses(buses, descriptions, channels, context),
        messages=promised.rules,
        records=records,
        notes=tuple(context.notes),
        selections=promised.selections,
        manual=replace(
            promised_of_all,
            redundant=pair_rules(top.get(g.REDUNDANT), beside),
            axes=axis_rules(top.get(g.AXES), beside),
            nodes=node_rules(top.get(g.NODES), top.get(g.AXES), beside),
            stop_chain=stop_rule(top.get(g.STOP_CHAIN), top.node_of(g.SUPPLY_GROUPS), beside),
        ),
        topics=topic_rules(top.get(g.TOPICS), top.get(g.RECORDS), records, context),
    )


_STAND_IN = Geometry(1.0, 1.0, 1.0, 1.0)  # for measures that are faulty, so that nothing asks for them


def _unheard(context: Context) -> Context:
    """A context for reading ahead: what is wrong is reported when the section is read for good."""
    return replace(context, faults=Faults(), notes=[], names=copy(context.names))


def _geometry(values: SectionValues | None, context: Context) -> Geometry:
    if values is None:
        return Geometry()
    measured = _measures(values)
    point = values.get(g.REFERENCE_POINT)
    if point == g.FRONT_AXLE and measured.wheelbase is None and not values.lost:
        text = "The `reference_point` at the front axle needs the `wheelbase` beside it."
        context.faults.add(values.place_of(g.REFERENCE_POINT), text)
    if isinstance(point, str):
        ahead = measured.wheelbase or 0.0 if point == g.FRONT_AXLE else 0.0
    else:
        ahead = float(point) if point else 0.0
    return replace(measured, reference_point=ahead)


def _measures(values: SectionValues) -> Geometry:
    measures = (values.get(key) for key in (g.WHEELBASE, g.TRACK, g.ROLLING_RADIUS))
    wheelbase, track, radius = (measure.si if measure else None for measure in measures)
    read = {"wheelbase": wheelbase, "track": track, "rolling_radius": radius}
    read["steering_ratio"] = values.get(g.STEERING_RATIO)
    return replace(
        Geometry(**{name: float(value) for name, value in read.items() if value is not None}),
        **{name: 1.0 for name, value in read.items() if value is None and name in values.nodes},
    )


def _buses(
    entries: BusEntries,
    descriptions: Mapping[str, Description],
    channels: Mapping[str, str],
    context: Context,
) -> dict[str, Bus]:
    """Return the buses by name; two on one channel could not be distinguished.

    Raises:
        ArgumentError: The `channels` given instead of the spec's put two there.
    """
    buses: dict[str, Bus] = {}
    users: dict[str, str] = {}
    for entry in entries:
        written = entry.value.get(g.CHANNEL)
        channel = channels.get(entry.key) or (written.text if written else entry.key)
        if channel in users and {entry.key, users[channel]} & channels.keys():
            both = listed((users[channel], entry.key), "and")
            text = f"The buses {both} are both on channel {shown(channel)}; give each its own."
            raise ArgumentError("channels", text)
        if channel in users:
            place = written.place if written else entry.place
            both = listed((users[channel], entry.key), "and")
            context.faults.add(place, f"The buses {both} are on one channel, {channel}.")
        users[channel] = entry.key
        bit_rate, data_bit_rate = (_bit_rate(key, entry, context) for key in (g.BIT_RATE, g.DATA_BIT_RATE))
        if entry.key in descriptions:
            buses[entry.key] = Bus(entry.key, channel, bit_rate, descriptions[entry.key], data_bit_rate)
    return buses


def _bit_rate(key: Key[Measure], entry: Entry[str, SectionValues], context: Context) -> int | None:
    rate = entry.value.get(key)
    if rate is not None and rate.si.denominator != 1:
        context.faults.add(entry.value.place_of(key), "A bit rate is a whole number of bit/s.")
        return None
    return int(rate.si) if rate else None
