"""The grammar of faults that signals report: by a bit, a code, or the whole signal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.description.bits import LONGEST_SIGNAL
from canmap.mapping.fault_rules import FaultRule
from canmap.mapping.reading.raw_codes import code_list
from canmap.mapping.reading.sections import Key, Section, mapping
from canmap.mapping.reading.shapes import (
    Entry,
    Seen,
    as_integer,
    as_it_is,
    each,
    integer,
    placed_text,
    signal,
    text,
    time_ns,
    word,
    yes_no,
)

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node, Scalar
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context

LeadsToEntries = tuple["Entry[Scalar, Node]", ...]


@dataclass(frozen=True, slots=True)
class ReadFault:
    """A fault as read; what it leads to is resolved with the state machines.

    Attributes:
        rule: The fault.
        leads_to: The state machines that it names, each with their states.
    """

    rule: FaultRule
    leads_to: LeadsToEntries = ()


_TEXT = Key("text", text, required=True)
_SEVERITY = Key("severity", word("a severity", ("error", "warning", "note")))
_RESET, _NORMALLY_CLOSED = Key("reset", text), Key("normally_closed", yes_no)
_DEBOUNCE, _WITHIN = Key("debounce", time_ns), Key("within", time_ns)
_LEADS_TO: Key[LeadsToEntries] = Key(
    "leads_to", each("the list of axes", placed_text, lambda _, node, context: as_it_is(node, context))
)
_PAGE = Key("page", text)
FAULT = Section("a fault", (_TEXT, _SEVERITY, _RESET, _NORMALLY_CLOSED, _DEBOUNCE, _LEADS_TO, _WITHIN, _PAGE))
CODES = "codes"  # how a spec says that a signal has a code for each fault


def _read(
    node: Node,
    context: Context,
    found: FoundSignal | None,
    bit: int | None = None,
    codes: tuple[int, ...] = (),
) -> ReadFault | None:
    """Read one fault; None where it is faulty, or where its signal is not known."""
    values = FAULT(node, context)
    words = values.get(_TEXT) if values else None
    if values is None or words is None or found is None:
        return None
    if codes and values.has(_NORMALLY_CLOSED):
        fault = "A fault with a code of its own is not `normally_closed`."
        context.faults.add(values.place_of(_NORMALLY_CLOSED), fault)
    rule = FaultRule(
        signal=found.ref,
        bit=bit,
        codes=codes,
        text=words,
        severity=values.get(_SEVERITY) or "error",
        reset=values.get(_RESET) or "",
        normally_closed=bool(values.get(_NORMALLY_CLOSED)),
        debounce_ns=values.get(_DEBOUNCE) or 0,
        within_ns=values.get(_WITHIN) or 0,
        page=values.get(_PAGE) or "",
    )
    return ReadFault(rule, values.get(_LEADS_TO) or ())


def _signal_faults(found: FoundSignal | None, node: Node, context: Context) -> tuple[ReadFault, ...] | None:
    """Read the fault of a signal, or those of its bits: {0: {...}}, or codes; None: not known."""
    entries = mapping(node, context, "a fault")
    if entries is None:
        return None
    if list(entries.pairs) == [CODES]:
        return _coded(found, entries.pairs[CODES][1], context)
    if not entries.pairs or any(as_integer(key) is None for key in entries.pairs):
        whole = _read(node, context, found)
        return (whole,) if whole else None
    bit = integer(0, (found.signal.bits if found else LONGEST_SIGNAL) - 1)
    seen = Seen(context)
    faults = []
    for number_node, fault_node in entries.pairs.values():
        number = bit(number_node, context)
        fault = _read(fault_node, context, found, number)
        if number is not None and seen.first(number_node, number) and fault:
            faults.append(fault)
    return tuple(faults)


def _coded(found: FoundSignal | None, node: Node, context: Context) -> tuple[ReadFault, ...] | None:
    """Read the faults of an enumerated signal: {SupplyLow: {...}, 11: {...}}."""
    entries = mapping(node, context, "the list of codes")
    seen = Seen(context)
    faults = []
    for code_node, fault_node in entries.pairs.values() if entries else ():
        codes = code_list(code_node, found, context) if found else ()
        fault = _read(fault_node, context, found, codes=codes or ())
        if codes and seen.first(code_node, codes) and fault:
            faults.append(fault)
    return tuple(faults)


FAULTS = each(
    "the list of faults",
    signal,
    _signal_faults,
    below=lambda node, context: _signal_faults(None, node, context),
)
