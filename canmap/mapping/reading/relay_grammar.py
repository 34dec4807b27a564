"""The grammar of how long a message is on its way, and of one that a gateway passes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.marks import Entries, Scalar
from canmap.mapping.reading.sections import Key, Section
from canmap.mapping.reading.shapes import integer, message, text, time_ns, word
from canmap.mapping.relay_rules import Guarded, RelayRule

if TYPE_CHECKING:
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.sections import Context

_NOMINAL = Key("nominal", time_ns)
_LONGEST = Key("longest", time_ns, required=True)
DELAY = Section("a delay", (_NOMINAL, _LONGEST))


def _delay(node: Node, context: Context) -> tuple[int | None, int] | None:
    """Read the longest delay, or the nominal and the longest one, in ns."""
    if not isinstance(node, Entries):
        longest_ns = time_ns(node, context)
        return None if longest_ns is None else (None, longest_ns)
    values = DELAY(node, context)
    longest_ns = values.get(_LONGEST) if values else None
    if values is None or longest_ns is None:
        return None
    nominal_ns = values.get(_NOMINAL)
    if nominal_ns is not None and nominal_ns > longest_ns:
        context.faults.add(values.place_of(_NOMINAL), "The nominal delay is longer than the longest.")
        return None
    return nominal_ns, longest_ns


_LATENCY_NOMINAL = Key("nominal", time_ns, required=True)
_JITTER = Key("jitter", time_ns)
LATENCY = Section("a latency", (_LATENCY_NOMINAL, _JITTER))


def latency(node: Node, context: Context) -> tuple[int, int] | None:
    """Read a latency, or a nominal one and its jitter, in ns."""
    if not isinstance(node, Entries):
        nominal_ns = time_ns(node, context)
        return None if nominal_ns is None else (nominal_ns, 0)
    values = LATENCY(node, context)
    nominal_ns = values.get(_LATENCY_NOMINAL) if values else None
    if values is None or nominal_ns is None:
        return None
    jitter_ns = values.get(_JITTER) or 0
    if jitter_ns > nominal_ns:
        context.faults.add(values.place_of(_JITTER), "The jitter is longer than the nominal latency.")
        return None
    return nominal_ns, jitter_ns


_MESSAGE = Key("message", message, required=True)
_DECIMATION = Key("decimation", integer(1, 10000))
_DELAY = Key("delay", _delay)
_PROTECTION = Key("protection", word("a protection", [each.value for each in Guarded]))
_PAGE = Key("page", text)
RELAY = Section("a relay", (_MESSAGE, _DECIMATION, _DELAY, _PROTECTION, _PAGE))


def relay(node: Node, context: Context) -> RelayRule | None:
    """Read which message is passed on: its name, or a relay."""
    if isinstance(node, Scalar):
        found = message(node, context)
        return RelayRule(message=found.ref) if found else None
    values = RELAY(node, context)
    found = values.get(_MESSAGE) if values else None
    if values is None or found is None:
        return None
    if (of := context.message) and (of.bus, of.message.name) == (found.bus, found.message.name):
        context.faults.add(values.place_of(_MESSAGE), f"{found.message.name} cannot be its own copy.")
        return None
    nominal_ns, longest_ns = values.get(_DELAY) or (None, None)
    protection = values.get(_PROTECTION)
    return RelayRule(
        message=found.ref,
        decimation=values.get(_DECIMATION) or 1,
        delay_ns=longest_ns,
        nominal_ns=nominal_ns,
        protection=Guarded(protection) if protection else None,
        page=values.get(_PAGE) or "",
    )
