"""Silences that begin together as one finding each, which says what they have in common.

A message falls silent somewhere between its last frame and the time at which its next one was due. Where
these spans of several messages have a moment in common, one cause may be behind them: nothing was recorded,
a bus was dead, a relay cut its group, a node was away, a gateway had nothing to pass on. It is named only
where it explains all that it would have silenced; what has nothing in common stays as it is.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import field, replace
from itertools import takewhile
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import first_of, times
from canmap.findings.begun_together import begun_together, due_ns
from canmap.findings.explained import (
    with_doubtful_watchdogs,
    with_silence,
    without_rates_explained,
    without_what_was_recorded_twice,
)
from canmap.findings.finding import Finding, Place, Severity, worst
from canmap.findings.incident_words import (
    NAMED,
    fed_by,
    fell_silent,
    gateway_copies,
    messages,
    messages_of,
    nothing_recorded,
    went_on,
)
from canmap.findings.kinds import MISSING, RECORDING_GAP, SPEC, STALE
from canmap.findings.shared_messages import without_what_two_senders_do
from canmap.findings.wrong_periods import of_wrong_periods
from canmap.timing.timers import Count

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from canmap.findings.finding import Facts, Kind
    from canmap.findings.incident_words import MessagesOf
    from canmap.mapping.model import MessageRule, Spec

SAME_STEP_NS = 3_000_000  # gaps that differ from their periods by no more than this are one step of the clock
LEAST_PERIODS = 3  # different periods that must agree on it


@dataclass(frozen=True, slots=True)
class Quiet:
    """A span in which no frame of a channel came at all.

    Attributes:
        channel: Which.
        start_ns: Session clock of the last frame before.
        end_ns: Session clock of the next, or of the end of the session.
        open: None came before the end.
    """

    channel: str
    start_ns: int
    end_ns: int
    open: bool


@dataclass(frozen=True, slots=True)
class Known:
    """What incidents are judged by.

    Attributes:
        spec: The spec.
        rules: The message rules, one a stream.
        quiet: The quiet spans, by start.
        start_ns: Session clock at which the session begins.
        misplaced: Buses whose messages came on another channel, which one finding says of all of them.
        over_gap: Returns what else is known of a silence, by its stream and the clock at its start.
        since_ns: Session clock of the first frame of each channel.
    """

    spec: Spec
    rules: Sequence[MessageRule]
    quiet: Sequence[Quiet]
    start_ns: int = 0
    misplaced: frozenset[str] = frozenset()
    over_gap: Callable[[int, int], Facts] = lambda _stream, _start_ns: {}
    since_ns: Mapping[str, int] = field(default_factory=dict)

    def going_on(self, start_ns: int, end_ns: int) -> list[str]:
        """Return the channels that had frames all the time from one session clock to another."""
        quiet = {one.channel for one in self.quiet if one.start_ns < end_ns and start_ns < one.end_ns}
        return sorted(
            name for name, since_ns in self.since_ns.items() if since_ns <= start_ns and name not in quiet
        )

    def channel(self, rule: MessageRule) -> str:
        """Return the channel on which a message comes."""
        return self.spec.buses[rule.bus].channel


def gathered(findings: Iterable[Finding], known: Known) -> list[Finding]:
    """Return the findings with the silences that have a cause in common as one; its parts are in it."""
    silences: list[Finding] = []
    rest: list[Finding] = []
    told = without_what_was_recorded_twice(_of_misplaced(list(findings), known.misplaced))
    told = without_what_two_senders_do(told, known.spec, known.rules)
    told = without_rates_explained(told)
    for finding in of_wrong_periods(told, known.rules):
        is_silence = finding.stream is not None and finding.kind in {STALE, MISSING}
        if finding.stream is not None and finding.kind == STALE and finding.count == 1:
            facts = {**finding.facts, **known.over_gap(finding.stream, finding.start_ns)}
            finding = replace(finding, facts=facts)  # noqa: PLW2901
        (silences if is_silence else rest).append(finding)
    buses = {f.place.bus: f for f in rest if f.kind == MISSING and f.place.message is None}
    silences.sort(key=lambda f: f.stream or 0)  # as the description lists them
    of_channel = {bus: [f for f in silences if f.place.bus == bus] for bus in buses}
    silences = [f for f in silences if f.place.bus not in buses]
    rest = [f for f in rest if buses.get(f.place.bus) is not f]
    rest += [_channel_missing(finding, of_channel[bus]) for bus, finding in buses.items()]
    for cluster in begun_together(silences, known.rules, known.spec.manual):
        rest += _Cluster(cluster, silences, known).explained()
    return with_doubtful_watchdogs(with_silence(rest))


def _of_misplaced(findings: list[Finding], buses: frozenset[str]) -> list[Finding]:
    """The findings; what is said of messages whose bus is misplaced is in the one that says that it is."""
    if not buses:
        return findings
    rest: list[Finding] = []
    parts: list[Finding] = []
    for finding in findings:
        place = finding.place
        is_part = place.bus in buses and place.message is not None and finding.kind != SPEC
        (parts if is_part else rest).append(finding)
    parts.sort(key=lambda part: (part.start_ns, part.kind, part.stream or 0, part.place.message, part.text))
    is_told = [f.kind == MISSING and f.place.message is None and f.place.bus in {None, *buses} for f in rest]
    told = rest.pop(is_told.index(True))
    return [*rest, replace(told, parts=(*parts, *told.parts))]


def _channel_missing(finding: Finding, parts: list[Finding]) -> Finding:
    # A message with a multiplexer may miss several of its values: it is one message all the same.
    if not (names := list(dict.fromkeys(part.place.message or "" for part in parts))):
        return finding
    never = f"So {times(len(names), 'message')} never came: {first_of(names, NAMED)}."
    facts = {**finding.facts, "messages": len(names)}
    return replace(finding.with_sentence(never), parts=tuple(parts), facts=facts)


class _Cluster:
    """Silences that may have begun at one moment."""

    def __init__(self, parts: list[Finding], all_silences: list[Finding], known: Known) -> None:
        self._left = sorted(parts, key=lambda part: part.stream or 0)  # as the description lists them
        self._known = known
        begin_ns = max(part.start_ns for part in parts)
        self._dead: set[str] = set()  # channels on which nothing got through
        inside = {part.stream for part in parts}
        # By bus and message, what gateways make of it.
        self._made_of: dict[tuple[str, str], list[Finding]] = {}
        for part in self._left:
            if relay := self._rule(part).relay_of:
                self._made_of.setdefault((relay.message.bus, relay.message.message), []).append(part)
        # What was silent already, or came only later, is neither explained nor missed.
        self._elsewhere = {
            f.stream
            for f in all_silences
            if f.stream not in inside and f.start_ns <= begin_ns and (f.open or f.end_ns > begin_ns)
        }

    def explained(self) -> list[Finding]:
        """Return what the silences have in common, and what is left of them."""
        if len(self._left) == 1:
            return self._left
        found = self._of_quiet_channels()
        for bus in self._known.spec.buses:
            found += self._of_bus(bus)
        groups = self._known.spec.manual.supply_groups
        for name, nodes in groups.items():
            found += self._of_nodes(set(nodes), fed_by(name), least=2)
        for node in dict.fromkeys(self._sender(part) for part in self._left):
            if node:
                found += self._of_nodes({node}, messages_of(node), least=1)
        return found + self._with_copies()

    def _of_quiet_channels(self) -> list[Finding]:
        """What fell silent with everything else on its channel."""
        found: list[Finding] = []
        while quiet := self._quiet_together():
            channels = {one.channel for one in quiet}
            if self._are_dead(quiet):
                self._dead |= channels
                continue
            start_ns, end_ns = max(one.start_ns for one in quiet), min(one.end_ns for one in quiet)
            parts = self._taken(part for part in self._left if self._is_of(part, quiet))
            everything = channels >= {bus.channel for bus in self._known.spec.buses.values()}
            step_ns = self._step_ns(parts)
            on = self._known.going_on(start_ns, end_ns)
            text = nothing_recorded(parts, channels, end_ns - start_ns, None if on else step_ns)
            text += went_on(on, self._passed_on(parts, on, end_ns - start_ns), step_ns is not None)
            several = everything and len(channels) > 1
            severity = Severity.WARNING if several else worst(part.severity for part in parts)
            bus = None if several else parts[0].place.bus
            open_ = all(one.open for one in quiet)
            gap = _finding(RECORDING_GAP, severity, bus, (start_ns, end_ns), text, parts, open_=open_)
            step = {} if step_ns is None else {"step_s": step_ns / 1e9}
            found.append(replace(gap, facts={**gap.facts, **step}))
        return found

    def _are_dead(self, quiet: list[Quiet]) -> bool:
        """Whether what a gateway passes on of quiet channels to others is silent too: nothing got through."""
        channels = {one.channel for one in quiet}
        copies = [copy for part in self._left if self._is_of(part, quiet) for copy in self._copies(part)]
        return any(self._known.channel(self._rule(copy)) not in channels for copy in copies)

    def _passed_on(self, parts: list[Finding], channels: list[str], span_ns: int) -> list[str]:
        """What a gateway makes of silent messages on some channels, and would have been missed there."""
        names = {(part.place.bus, part.place.message) for part in parts}
        return [
            rule.message.name
            for stream, rule in enumerate(self._known.rules)
            if (of := rule.relay_of) is not None
            and (of.message.bus, of.message.message) in names
            and self._known.channel(rule) in channels
            and self._is_missed(stream, span_ns)
        ]

    def _quiet_together(self) -> list[Quiet]:
        """Quiet spans of one time, each with two or more of the silences; empty where there are none."""
        together: list[Quiet] = []
        from_ns = min((part.start_ns for part in self._left), default=0)
        until_ns = max((due_ns(part, self._known.rules) for part in self._left), default=0)
        first = bisect_left(self._known.quiet, from_ns, key=lambda one: one.start_ns)
        for quiet in takewhile(lambda one: one.start_ns <= until_ns, self._known.quiet[first:]):
            if any(quiet.start_ns >= one.end_ns or one.start_ns >= quiet.end_ns for one in together):
                continue
            if quiet.channel in self._dead or any(one.channel == quiet.channel for one in together):
                continue
            if sum(self._is_of(part, [quiet]) for part in self._left) > 1:
                together.append(quiet)
        return together

    def _is_of(self, part: Finding, quiet: list[Quiet]) -> bool:
        """Whether a silence begins and ends with a quiet span of its channel."""
        channel = self._known.channel(self._rule(part))
        until_ns = due_ns(part, self._known.rules)
        slack_ns = until_ns - part.start_ns
        return any(
            one.channel == channel
            and part.start_ns <= one.start_ns <= until_ns
            and one.end_ns <= part.end_ns <= one.end_ns + slack_ns
            for one in quiet
        )

    def _of_bus(self, bus: str) -> list[Finding]:
        """What fell silent with all else that a bus carries, unless one node or one relay explains it."""
        senders = {self._sender(part) for part in self._left if part.place.bus == bus}
        groups = self._known.spec.manual.supply_groups.values()
        if None not in senders and (len(senders) < 2 or any(senders <= set(nodes) for nodes in groups)):
            return []
        return self._of_rules(lambda rule: rule.bus == bus, messages_of(f"bus {bus}"))

    def _of_nodes(self, nodes: set[str], who: MessagesOf, *, least: int) -> list[Finding]:
        """What fell silent with all else that some nodes send."""
        if len(nodes & {self._sender(part) for part in self._left}) < least:
            return []
        return self._of_rules(lambda rule: rule.sender in nodes, who)

    def _of_rules(self, is_of: Callable[[MessageRule], bool], who: MessagesOf) -> list[Finding]:
        """What fell silent with all else of its kind, which is called `who`."""
        parts = [part for part in self._left if is_of(self._rule(part))]
        if len(parts) < 2:
            return []
        begin_ns, until_ns = max(part.start_ns for part in parts), min(part.end_ns for part in parts)
        if until_ns <= begin_ns:  # on a capacitor one lives on until others have come back
            return []
        silent = {part.stream for part in parts}
        for stream, rule in enumerate(self._known.rules):
            if is_of(rule) and stream not in silent and self._is_missed(stream, until_ns - begin_ns):
                return []
        copies = [copy for part in parts for copy in self._copies(part) if not is_of(self._rule(copy))]
        still = [part for part in parts if part.open]
        end_ns = max(part.end_ns for part in still) if still else until_ns
        silent_ns = until_ns - begin_ns
        if any(part.count > 1 for part in parts):  # which came in between
            silent_ns = min(silent_ns, round(max(part.value or 0.0 for part in parts) * 1e9))
        text = fell_silent(who, parts, silent_ns)
        text += f" {gateway_copies(copies, 'them')}" if copies else ""
        kind, bus = parts[0].kind, parts[0].place.bus
        bus = bus if all(part.place.bus == bus for part in parts) else None
        taken = self._taken((*parts, *copies))
        found = _finding(
            kind,
            worst(part.severity for part in taken),
            bus,
            (begin_ns, end_ns),
            text,
            taken,
            open_=bool(still),
        )
        value = found.value if silent_ns == until_ns - begin_ns else silent_ns / 1e9
        return [replace(found, value=value, facts={**found.facts, "silent_s": silent_ns / 1e9})]

    def _with_copies(self) -> list[Finding]:
        """What has nothing else in common, each with what gateways would have passed on of it."""
        found = []
        copies = {id(copy) for part in self._left for copy in self._copies(part)}
        for part in self._left:
            if id(part) in copies:
                continue
            its = self._copies(part)
            if its:
                told = part.with_sentence(gateway_copies(its, "it"))
                found.append(replace(told, parts=(part, *its)))
            else:
                found.append(part)
        return found

    def _copies(self, part: Finding) -> list[Finding]:
        """The silences of the messages that a gateway makes of one."""
        made = self._made_of.get((part.place.bus or "", part.place.message or ""), ())
        return [copy for copy in made if any(copy is one for one in self._left)]

    def _taken(self, parts: Iterable[Finding]) -> list[Finding]:
        """Take some silences out of those that are left."""
        taken = {id(part): part for part in parts}
        self._left = [part for part in self._left if id(part) not in taken]
        return list(taken.values())

    def _is_missed(self, stream: int, span_ns: int) -> bool:
        """Whether a message would have been found silent in so long a span, had it been."""
        rule = self._known.rules[stream]
        if rule.stale_after_ns is None or rule.active_when or stream in self._elsewhere:
            return False
        period_ns = rule.period_ns or rule.heartbeat_ns or rule.stale_after_ns
        return rule.stale_after_ns + period_ns <= span_ns

    def _step_ns(self, parts: list[Finding]) -> int | None:
        """By how much the stamps stepped, where every message goes on as if no time had passed; else None.

        Where a counter went on meanwhile by as many frames as fell out, time had passed.
        """
        if any(part.facts.get("counter") == Count.BY_LOST for part in parts):
            return None
        steps: dict[int, list[int]] = {}
        for part in parts:
            period_ns = self._rule(part).period_ns
            if period_ns is not None and part.count == 1 and not part.open:
                steps.setdefault(period_ns, []).append(part.end_ns - part.start_ns - period_ns)
        found = [step for of_period in steps.values() for step in of_period]
        if len(steps) < LEAST_PERIODS or max(found) - min(found) > SAME_STEP_NS:
            return None
        return round(sum(found) / len(found))

    def _rule(self, part: Finding) -> MessageRule:
        return self._known.rules[part.stream or 0]

    def _sender(self, part: Finding) -> str | None:
        return self._rule(part).sender


def _finding(  # noqa: PLR0913  # what a finding is made of
    kind: Kind,
    severity: Severity,
    bus: str | None,
    span_ns: tuple[int, int],
    text: str,
    parts: list[Finding],
    *,
    open_: bool,
) -> Finding:
    return Finding(
        kind=kind,
        severity=severity,
        place=Place(bus=bus),
        start_ns=span_ns[0],
        end_ns=span_ns[1],
        open=open_,
        count=len(parts),
        value=(span_ns[1] - span_ns[0]) / 1e9,
        text=text,
        parts=tuple(parts),
        facts={"messages": len(messages(parts))},
    )
