"""The stop chain of a spec: which fields of records report it, and how fast it has to be."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.words import listed
from canmap.mapping.reading.marks import Entries
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.raw_codes import conditions
from canmap.mapping.reading.sections import WHOLE, Key, Section, scalar
from canmap.mapping.reading.shapes import list_of, one_or_list, placed_text, record_field, text, time_ns
from canmap.mapping.supplied_nodes import StopChainRule
from canmap.vocabulary.record_types import Stop

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context, Reader
    from canmap.mapping.refs import Requirement

    Bit = tuple[str, str]


def _reports(*wanted: str) -> Reader[tuple[Bit, ...]]:
    """Make the reader of `record.field`, a yes or no, or of a `Stop` record, for its `wanted` fields."""

    def read(node: Node, context: Context) -> tuple[Bit, ...] | None:
        found = scalar(node, context, "a record, or a field of one")
        if found is None:
            return None
        if found.text not in context.records:
            return _bit(node, context)
        record, fields = context.records[found.text], context.mapped.get(found.text, wanted)
        mapped = tuple((found.text, name) for name in wanted if name in fields) if record is Stop else ()
        if not mapped and record is not None:
            what = f"The record {found.text} does not map {listed(wanted)}"
            context.faults.add(found.place, f"{what}: map it there, or write record.field.")
        return mapped or None

    return read


def _bit(node: Node, context: Context) -> tuple[Bit, ...] | None:
    found = record_field(node, context)
    if found is None:
        return None
    if found[1].kind is not bool:
        text_ = f"The field {found[0]}.{found[1].name} is not a yes or no."
        context.faults.add(node.place, text_)
        return None
    return ((found[0], found[1].name),)


def _one_condition(node: Node, context: Context) -> Requirement | None:
    found = conditions(node, context)
    if isinstance(node, Entries) and len(node.pairs) != 1:
        context.faults.add(node.place, "Give one signal and its values that tell that the loop opened.")
    return found[0] if found else None


SOURCES = Key("sources", list_of(_reports("pressed", "link_lost"), "sources"))
LOOP = Key("loop", _reports("loop_open"), required=True)
SUPPLY = Key("supply", _reports("supply_cut"))
CUTS = Key("cuts", one_or_list(placed_text, "supply groups"))
WITHIN = Key("within", time_ns, required=True)
SWITCHED_OFF = Key("switched_off", one_or_list(_bit, "fields"))
OPENED = Key("opened", _one_condition)
PAGE = Key("page", text)
STOP_CHAIN = Section("the stop chain", (SOURCES, LOOP, SUPPLY, CUTS, WITHIN, SWITCHED_OFF, OPENED, PAGE))


def stop_rule(node: Node | None, groups: Node | None, context: Context) -> StopChainRule | None:
    """Return the stop chain of a spec, of the section `stop_chain`; None for none.

    Args:
        node: The section.
        groups: The section `supply_groups`, as it is written; None for none.
        context: Of the spec, with its records.
    """
    values = STOP_CHAIN(node, context) if node is not None else None
    if values is None:
        return None
    known = list(groups.pairs) if isinstance(groups, Entries) else []
    cuts = values.get(CUTS) or ()
    for name in cuts:
        if name.text not in known and WHOLE not in context.lost:
            hint = context.faults.hint(name.text, known)
            context.faults.add(name.place, f"There is no supply group {shown(name.text)}{hint}")
    loop, within_ns, supply = values.get(LOOP), values.get(WITHIN), values.get(SUPPLY)
    if loop is None or within_ns is None:
        return None
    sources = tuple(dict.fromkeys(bit for bits in values.get(SOURCES) or () for bit in bits))
    if loop[0] in sources:
        text = f"{'.'.join(loop[0])} is among the sources, so it cannot show that the loop opened for them."
        context.faults.add(values.place_of(LOOP), text)
    return StopChainRule(
        sources=sources,
        loop=loop[0],
        supply=supply[0] if supply else None,
        cuts=tuple(dict.fromkeys(name.text for name in cuts)),
        within_ns=within_ns,
        switched_off=tuple(bit for bits in values.get(SWITCHED_OFF) or () for bit in bits),
        opened=values.get(OPENED),
        page=values.get(PAGE) or "",
    )
