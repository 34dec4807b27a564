"""The counter of a message: what the spec says of it, what its checksum profile fixes, and what cannot be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.mapping.reading import grammar as g

if TYPE_CHECKING:
    from canmap.mapping.manual import CounterRule
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import Context, SectionValues

MOST_BITS = 32


def counter_of(found: FoundMessage, said: SectionValues, context: Context) -> CounterRule | None:
    """Return the counter of a message, None where it has none or where it cannot be."""
    rule = said.get(g.COUNTER)
    if rule is None:
        return None
    signal = next((one for one in found.message.signals if one.name == rule.signal.signal), None)
    if signal is None or (rule.signal.bus, rule.signal.message) != (found.bus, found.message.name):
        text = f"The counter of {found.message.name} must be one of its own signals."
        context.faults.add(said.place_of(g.COUNTER, "signal"), text)
        return None
    checksum = said.get(g.CHECKSUM)
    if checksum is not None and checksum.signal == rule.signal:
        text = f"{rule.signal.signal} cannot be both the counter and the checksum of {found.message.name}."
        context.faults.add(said.place_of(g.CHECKSUM, "signal"), text)
        return None
    if rule.wrap is None and checksum is not None and checksum.method.counter_values:
        rule = replace(rule, wrap=checksum.method.counter_values - 1)
    if signal.signed or signal.is_float or signal.bits > MOST_BITS:
        text = (
            f"{rule.signal.signal} is no counter: "
            f"that is a whole number of up to {MOST_BITS} bits without sign."
        )
        context.faults.add(said.place_of(g.COUNTER, "signal"), text)
        return None
    return rule if _can_be(rule, signal.bits, found, said, context) else None


def _can_be(rule: CounterRule, bits: int, found: FoundMessage, said: SectionValues, context: Context) -> bool:
    """Tell whether a counter of so many bits can count so, and report what is wrong."""
    most = (1 << bits) - 1
    last = most if rule.wrap is None else rule.wrap
    of_round = range(rule.start, last + 1, rule.step)
    values = len(of_round) - sum(value in of_round for value in set(rule.reserved))
    relay = said.get(g.RELAY_OF)
    wrong = {}
    if last > most:
        wrong["wrap"] = f"A counter of {bits} bits goes up to {most}, not to {last}."
    elif values < 2:
        wrong["wrap"] = f"A counter that goes from {rule.start} to {last} by {rule.step} does not go round."
    elif relay is not None and relay.counts_every % values == 0:
        wrong["signal"] = (
            f"A counter of {values} values is the same in every frame where {relay.counts_every - 1} "
            "between them are left out: it tells nothing."
        )
    if rule.per == "multiplexer" and all(one.selector is None for one in found.message.signals):
        wrong["per"] = f"{found.message.name} has no multiplexer."
    if rule.per == "sender" and not (said.get(g.SENDER) or found.message.sender):
        wrong["per"] = f"The sender of {found.message.name} is not known: write its `sender`."
    for key, text in wrong.items():
        context.faults.add(said.place_of(g.COUNTER, *_written(key, said)), text)
    return not wrong


def _written(key: str, said: SectionValues) -> tuple[str, ...]:
    """Return the key where it stands in the counter, nothing where it does not."""
    entries = said.nodes[g.COUNTER.name][1]
    return (key,) if key in getattr(entries, "pairs", ()) else ()
