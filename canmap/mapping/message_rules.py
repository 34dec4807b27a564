"""How each described message is promised to come: the spec's word first, then the description's."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.counter_rules import counter_of
from canmap.mapping.model import MessageRule, Trigger
from canmap.mapping.notes import Note, NoteReason
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.mistakes import Position
from canmap.mapping.reading.names import FoundMessage
from canmap.mapping.reading.sections import SectionValues

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from canmap.mapping.description.description import DescribedMessage, Description
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context
    from canmap.mapping.reading.shapes import Entry
    from canmap.mapping.refs import MessageRef

SHORTEST_STALE_NS = 100_000_000
STALE_PERIODS = 3

MessageEntries = tuple["Entry[FoundMessage, SectionValues]", ...]


@dataclass(frozen=True, slots=True)
class HoldTimes:
    """How long values hold that nothing renews, in ns, None for ever.

    Attributes:
        of_messages: Those of each (bus, message).
        selected: Those of each (bus, message, multiplexer) whose frames have one of its raw values.
    """

    of_messages: Mapping[tuple[str, str], int | None]
    selected: Mapping[tuple[str, str, str], Mapping[int, int | None]]

    def of(self, source: FoundSignal) -> int | None:
        """Return how long the values of a signal hold.

        Of a multiplexed one as long as the spec says of the values that select it, the longest of several;
        where it does not speak of all of them, as long as those of its message.
        """
        name, signal = (source.bus, source.message.name), source.signal
        said = self.selected.get((*name, signal.selector or ""), {})
        number = sum(high - low + 1 for low, high in signal.selected_by)
        found = [said.get(code) for low, high in signal.selected_by for code in said if low <= code <= high]
        stale = [one for one in found if one is not None]
        return max(stale) if stale and len(stale) == number else self.of_messages[name]


@dataclass(frozen=True, slots=True)
class Promises:
    """What is promised of all messages.

    Attributes:
        rules: One for every described message, bus by bus in the description's order.
        selections: One for every multiplexer value of which something is promised.
        holds: How long their values hold.
    """

    rules: tuple[MessageRule, ...]
    selections: tuple[MessageRule, ...]
    holds: HoldTimes


def promises(
    descriptions: Mapping[str, Description],
    messages: MessageEntries,
    demands: MessageEntries,
    in_packets: Collection[MessageRef],
    context: Context,
) -> Promises:
    """Make the rule of every message.

    A message is cyclic where the spec says so or a period is known; where neither the spec nor the
    description promises anything, a note says that its silence is not checked. Where a message is one of
    `in_packets`, packets may come instead of its frame, of which then only the spec makes a promise.
    """
    spoken = {(entry.key.bus, entry.key.message.name): entry for entry in messages}
    watchdogs = {(entry.key.bus, entry.key.message.name): entry.value.get(g.WATCHDOG) for entry in demands}
    rules: list[MessageRule] = []
    selections: list[MessageRule] = []
    of_messages: dict[tuple[str, str], int | None] = {}
    for bus, description in descriptions.items():
        for message in description.messages:
            name = (bus, message.name)
            found = FoundMessage(bus, message)
            described_ns = None if found.ref in in_packets else message.period_ns
            rule = _rule(found, spoken.get(name), described_ns, watchdogs.get(name), context)
            of_messages[name] = rule.stale_after_ns
            rules.append(rule)
            selections += _selections(rule, spoken.get(name), context)
            _note_what_is_not_judged(rule, spoken.get(name), context)
    selected: dict[tuple[str, str, str], dict[int, int | None]] = {}
    for rule in selections:
        if rule.selected is not None:
            of_signal = selected.setdefault((rule.bus, rule.message.name, rule.selected.signal), {})
            of_signal.update(dict.fromkeys(rule.selected.codes, rule.stale_after_ns))
    return Promises(tuple(rules), tuple(selections), HoldTimes(of_messages, selected))


def _rule(
    found: FoundMessage,
    entry: Entry[FoundMessage, SectionValues] | None,
    described_ns: int | None,
    watchdog_ns: int | None,
    context: Context,
) -> MessageRule:
    """Return what is promised of a message, whose description promises a period or None."""
    message = found.message
    said = entry.value if entry else SectionValues(Position(context.file), {}, {})
    trigger, period_ns = _trigger(message, said, described_ns, context)
    expected_ns = period_ns or said.get(g.HEARTBEAT)
    stale_ns, is_error = said.get(g.STALE_AFTER), True
    if stale_ns is None and watchdog_ns is not None:
        stale_ns, is_error = max(watchdog_ns // 2, 1), False
    elif stale_ns is None and expected_ns is not None:
        stale_ns = max(STALE_PERIODS * expected_ns, SHORTEST_STALE_NS)
    if said.has(g.STALE_AFTER) and stale_ns and expected_ns and stale_ns <= expected_ns:
        text = f"{message.name} would be stale before its next frame: its period is longer."
        context.faults.add(said.place_of(g.STALE_AFTER), text)
    if said.has(g.SOURCE) and message.group is None:
        text = (
            f"A `source` needs 29 bits and a bus with `match: parameter_group`, which {message.name} lacks."
        )
        context.faults.add(said.place_of(g.SOURCE), text)
    checksum = said.get(g.CHECKSUM)
    if checksum and checksum.needs_counter and not said.has(g.COUNTER):
        text = f"The checksum of {message.name} needs its `counter`: "
        text += "where the profile has it, the message has ended."
        context.faults.add(said.place_of(g.CHECKSUM), text)
    gap_ns = said.get(g.MINIMUM_GAP)
    if gap_ns and period_ns and gap_ns > period_ns:
        text = f"The `minimum_gap` of {message.name} is longer than its period."
        context.faults.add(said.place_of(g.MINIMUM_GAP), text)
    relay = said.get(g.RELAY_OF)
    if relay is not None and relay.message == found.ref:
        context.faults.add(said.place_of(g.RELAY_OF), f"{message.name} cannot be a copy of itself.")
    latency_ns, jitter_ns = said.get(g.LATENCY) or (None, 0)
    return MessageRule(
        bus=found.bus,
        message=message,
        trigger=trigger,
        period_ns=period_ns,
        stale_after_ns=stale_ns,
        stale_is_error=is_error,
        sender=said.get(g.SENDER) or message.sender,
        line=entry.place.line if entry else 0,
        minimum_gap_ns=gap_ns,
        start_up_ns=said.get(g.START_UP) or 0,
        active_when=said.get(g.ACTIVE_WHEN) or (),
        heartbeat_ns=said.get(g.HEARTBEAT),
        counter=counter_of(found, said, context),
        checksum=checksum,
        relay_of=relay,
        latency_ns=latency_ns,
        latency_jitter_ns=jitter_ns,
        page=said.get(g.MESSAGE_PAGE) or "",
    )


def _selections(
    rule: MessageRule, entry: Entry[FoundMessage, SectionValues] | None, context: Context
) -> list[MessageRule]:
    """Return what is promised of single values of the message's multiplexers."""
    rules = []
    for selector in (entry.value.get(g.MULTIPLEXED) if entry else None) or ():
        taken: set[int] = set()
        for selected in selector.value:
            if taken & set(selected.key.codes):
                text = f"{selected.key.signal} {selected.key.text} is given twice."
                context.faults.add(selected.place, text)
            taken |= set(selected.key.codes)
            period_ns, stale_ns = selected.value.get(g.PERIOD), selected.value.get(g.STALE_AFTER)
            if stale_ns is None and period_ns is not None:
                stale_ns = max(STALE_PERIODS * period_ns, SHORTEST_STALE_NS)
            rules.append(
                replace(
                    rule,
                    trigger=Trigger.CYCLIC if period_ns else Trigger.EVENT,
                    period_ns=period_ns,
                    stale_after_ns=stale_ns,
                    stale_is_error=True,
                    minimum_gap_ns=selected.value.get(g.MINIMUM_GAP),
                    heartbeat_ns=None,
                    selected=selected.key,
                    counter=None,
                    checksum=None,
                    relay_of=None,
                    line=selected.place.line,
                )
            )
    return rules


COMES = {
    Trigger.ON_CHANGE: "is sent on a change",
    Trigger.EVENT: "is sent on an event",
    Trigger.REQUESTED: "is sent on request",
}


def _note_what_is_not_judged(
    rule: MessageRule, entry: Entry[FoundMessage, SectionValues] | None, context: Context
) -> None:
    """Say where nothing is promised, so that silence about a message is not taken for a good word."""
    name = rule.message.name
    if rule.trigger is Trigger.CYCLIC or (entry and entry.value.has(g.MULTIPLEXED)):
        return
    detail = ""
    if rule.trigger is Trigger.UNPROMISED:
        reason = NoteReason.NO_RATE_PROMISED if rule.stale_after_ns else NoteReason.NOTHING_PROMISED
        if rule.message.period_ns and not rule.stale_after_ns:
            reason = NoteReason.IN_PACKETS
    elif rule.stale_after_ns is None:
        reason, detail = NoteReason.NO_HEARTBEAT, COMES[rule.trigger]
    else:
        return
    context.notes.append(
        Note(
            reason=reason,
            bus=rule.bus,
            message=name,
            subject=name,
            detail=detail,
            line=entry.place.line if entry else 0,
            file=context.fragment(entry.place) if entry else "",
        )
    )


def _trigger(
    message: DescribedMessage, said: SectionValues, described_ns: int | None, context: Context
) -> tuple[Trigger, int | None]:
    """Return what makes a message come, and the period of a cyclic one."""
    word, period_ns = said.get(g.TRIGGER), said.get(g.PERIOD)
    sure = not said.lost and (word or not said.has(g.TRIGGER))
    if word in {None, Trigger.CYCLIC}:
        if said.has(g.HEARTBEAT) and sure:
            text = "A `heartbeat` needs a `trigger` that is not cyclic; a cyclic message has a `period`."
            context.faults.add(said.place_of(g.HEARTBEAT), text)
        period_ns = period_ns or described_ns
        if word and period_ns is None and not said.has(g.PERIOD) and sure:
            context.faults.add(said.place, f"{message.name} is cyclic, but its `period` is not known.")
        return (Trigger.CYCLIC if word or period_ns else Trigger.UNPROMISED), period_ns
    if said.has(g.PERIOD):
        text = f"{message.name} is sent {word}, so it has no `period`: leave it out, or write `heartbeat`."
        context.faults.add(said.place_of(g.PERIOD), text)
    return Trigger(word or Trigger.UNPROMISED), None
