"""How each described message is promised to come: the spec's word first, then the description's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canmap.spec import grammar as g
from canmap.spec.model import MessageRule, Note, Trigger

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.spec.description import DescribedMessage, Description
    from canmap.spec.names import FoundMessage
    from canmap.spec.sections import Context, Values
    from canmap.spec.shapes import Entry

SHORTEST_STALE_NS = 100_000_000
STALE_PERIODS = 3

MessageEntries = tuple["Entry[FoundMessage, Values]", ...]


@dataclass(frozen=True, slots=True)
class Promises:
    """What is promised of all messages.

    Attributes:
        rules: One for every described message, bus by bus in the description's order.
        holds: For each (bus, message), how long its values hold in ns, None for ever.
    """

    rules: tuple[MessageRule, ...]
    holds: Mapping[tuple[str, str], int | None]


def promises(
    descriptions: Mapping[str, Description],
    messages: MessageEntries,
    demands: MessageEntries,
    context: Context,
) -> Promises:
    """Make the rule of every message.

    A message is cyclic where the spec says so or a period is known; where neither the spec nor the
    description promises anything, a note says that its silence is not judged.
    """
    spoken = {(entry.key.bus, entry.key.message.name): entry for entry in messages}
    watchdogs = {(entry.key.bus, entry.key.message.name): entry.value.get(g.WATCHDOG) for entry in demands}
    rules = []
    holds: dict[tuple[str, str], int | None] = {}
    for bus, description in descriptions.items():
        for message in description.messages:
            name = (bus, message.name)
            rule, hold = _rule(bus, message, spoken.get(name), watchdogs.get(name), context)
            rules.append(rule)
            holds[name] = hold
    return Promises(tuple(rules), holds)


def _rule(
    bus: str,
    message: DescribedMessage,
    entry: Entry[FoundMessage, Values] | None,
    watchdog_ns: int | None,
    context: Context,
) -> tuple[MessageRule, int | None]:
    said = entry.value if entry else None
    trigger, period_ns = _trigger(message, said, context)
    stale_ns, is_error = said.get(g.STALE_AFTER) if said else None, True
    if stale_ns is None and watchdog_ns is not None:
        stale_ns, is_error = watchdog_ns // 2, False
    elif stale_ns is None and period_ns is not None:
        stale_ns = max(STALE_PERIODS * period_ns, SHORTEST_STALE_NS)
    if stale_ns is not None and period_ns is not None and stale_ns <= period_ns:
        place = said.place_of(g.STALE_AFTER) if said else None
        if place is not None and said and said.has(g.STALE_AFTER):
            context.faults.add(
                place, f"{message.name} would be stale before its next frame: its period is longer."
            )
    hold_ns = stale_ns
    line = entry.place.line if entry else 0
    if said and said.has(g.ACTIVE_WHEN):
        where = f"`active_when` of {message.name} (line {line})"
        text = f"As {where} is not judged yet, neither is its silence or rate."
        context.notes.append(Note(text, bus, message.name))
        trigger, period_ns, stale_ns = Trigger.UNPROMISED, None, None
    elif trigger is Trigger.UNPROMISED:
        where = f" (line {line})" if line else ""
        text = f"Nothing says when {message.name}{where} is sent: its silence and rate are not judged."
        context.notes.append(Note(text, bus, message.name))
    sender = (said.get(g.SENDER) if said else None) or message.sender
    return MessageRule(bus, message, trigger, period_ns, stale_ns, is_error, sender, line), hold_ns


def _trigger(message: DescribedMessage, said: Values | None, context: Context) -> tuple[Trigger, int | None]:
    """Return what makes a message come, and the period of a cyclic one."""
    word = said.get(g.TRIGGER) if said else None
    period_ns = said.get(g.PERIOD) if said else None
    if word is None:
        period_ns = period_ns or message.period_ns
        return (Trigger.CYCLIC if period_ns else Trigger.UNPROMISED), period_ns
    trigger = Trigger(word)
    if trigger is Trigger.CYCLIC:
        period_ns = period_ns or message.period_ns
        if period_ns is None and said and not said.has(g.PERIOD):
            context.faults.add(said.place, f"{message.name} is cyclic, but nothing tells its `period`.")
        return trigger, period_ns
    if said and said.has(g.PERIOD):
        text = f"{message.name} is sent {word}, so it has no `period`: leave it out, or write `heartbeat`."
        context.faults.add(said.place_of(g.PERIOD), text)
    return trigger, None
