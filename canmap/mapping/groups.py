"""Buses whose messages are known by their parameter group, whatever priority and addresses they come with.

Identifiers of 29 bits are cut up as SAE J1939-21 does (reported in the open by Linux,
Documentation/networking/j1939.rst): 3 bits priority, 18 bits parameter group, 8 bits source address. Where
the PDU format, bits 8 to 15 of the group, is below 240, its lowest 8 bits are no part of the group but the
destination address.

A message comes from any source, unless the spec names one; where several messages have one group, each comes
from the source in its own identifier. The raw codes that J1939-71 keeps for "error" and "not available" are
no values of a signal, unless its described range holds them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.words import listed
from canmap.mapping.description.description import Description, NoData, ParameterGroup
from canmap.mapping.reading import grammar as g

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.mapping.reading.shapes import Entry

PDU_FORMAT_SHIFT, SOURCE_BITS = 16, 8
FIRST_BROADCAST_FORMAT = 240  # from this PDU format on the group has no destination
GROUP_MASK, ADDRESSED_MASK = 0x3FFFF, 0x3FF00
NULL_ADDRESS = 0xFE  # in the identifier of a description: any source (common practice)

_ERROR, _ABSENT = "error", "not available"
# Bits of a signal: where its codes for "error" and "not available" begin (J1939-71, range table).
RESERVED = {2: (2, 3), 8: (0xFE, 0xFF), 16: (0xFE00, 0xFF00), 32: (0xFE00_0000, 0xFF00_0000)}


def group_number(can_id: int) -> int:
    """Return the parameter group number of a 29-bit identifier."""
    is_broadcast = (can_id >> PDU_FORMAT_SHIFT & 0xFF) >= FIRST_BROADCAST_FORMAT
    return can_id >> SOURCE_BITS & (GROUP_MASK if is_broadcast else ADDRESSED_MASK)


def addresses(can_id: int) -> tuple[int, int | None]:
    """Return source and destination address of a 29-bit identifier; None for a group without destination."""
    is_broadcast = (can_id >> PDU_FORMAT_SHIFT & 0xFF) >= FIRST_BROADCAST_FORMAT
    return can_id & 0xFF, None if is_broadcast else can_id >> SOURCE_BITS & 0xFF


def buses_by_group(buses: tuple[Entry[str, SectionValues], ...]) -> set[str]:
    """Return the names of the buses that match by parameter group."""
    return {entry.key for entry in buses if entry.value.get(g.MATCH) == g.PARAMETER_GROUP}


def grouped(
    descriptions: Mapping[str, Description],
    buses: tuple[Entry[str, SectionValues], ...],
    messages: tuple[Entry[FoundMessage, SectionValues], ...],
    context: Context,
) -> dict[str, Description]:
    """Return the descriptions, with the group of each message where its bus matches by that."""
    by_group = buses_by_group(buses)
    stated = {(entry.key.bus, entry.key.message.name): entry.value.get(g.SOURCE) for entry in messages}
    sources = {name: source for name, source in stated.items() if source is not None}
    places = {entry.key: entry.place for entry in buses}
    done = dict(descriptions)
    for bus in by_group & set(descriptions):
        description = descriptions[bus]
        own = {message: source for (of, message), source in sources.items() if of == bus}
        made = tuple(_with_group(message, description, own) for message in description.messages)
        for fault in _doubles(made):
            context.faults.add(places[bus], f"On the bus {bus}, {fault}")
        done[bus] = replace(description, messages=made)
    return done


def _with_group(
    message: DescribedMessage, description: Description, sources: Mapping[str, int]
) -> DescribedMessage:
    signals = tuple(replace(signal, no_data=_no_data(signal)) for signal in message.signals)
    if not message.extended:
        return replace(message, signals=signals)
    number = group_number(message.can_id)
    source = sources.get(message.name)
    if source is None:
        alike = [
            other
            for other in description.messages
            if other.extended and other.name not in sources and group_number(other.can_id) == number
        ]
        written = message.can_id & 0xFF
        source = written if len(alike) > 1 and written != NULL_ADDRESS else None
    return replace(message, signals=signals, group=ParameterGroup(number, source))


def _no_data(signal: DescribedSignal) -> tuple[NoData, ...]:
    reserved = RESERVED.get(signal.bits)
    if reserved is None or signal.signed or signal.is_float:
        return ()
    error, absent = reserved
    last = (1 << signal.bits) - 1
    spans = (NoData(error, absent - 1, _ERROR), NoData(absent, last, _ABSENT))
    return tuple(span for span in spans if not _in_range(span, signal))


def _in_range(span: NoData, signal: DescribedSignal) -> bool:
    """Tell whether the described range of a signal holds the first of the codes, which so is a value."""
    if signal.minimum is None and signal.maximum is None:
        return False
    value = span.low * signal.factor + signal.offset
    low = value if signal.minimum is None else signal.minimum
    high = value if signal.maximum is None else signal.maximum
    return low <= value <= high


def _doubles(messages: tuple[DescribedMessage, ...]) -> list[str]:
    named: dict[ParameterGroup, list[str]] = {}
    for message in messages:
        if message.group is not None:
            named.setdefault(message.group, []).append(message.name)
    return [
        f"{listed(names, 'and')} have one parameter group, {group}: give each its `source`."
        for group, names in named.items()
        if len(names) > 1
    ]
