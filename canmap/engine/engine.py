"""The one engine for file, replay and live: `decode` and `prepare` are pure, `fold` keeps all state.

    FrameChunk -> decode -> Decoded -> prepare -> Prepared -> fold -> Step (records, what opened and closed)
                               |          ^
                               after: Before -> Before

`decode` and `prepare` may run in any thread, `after` and `fold` run in order: `after` takes from chunk to
chunk the little that the next needs to be prepared. The engine opens no file and asks no clock. Any cutting
of the same frames into chunks gives the same records, findings and summary, bit for bit.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING, Any, TypeVar

from canmap.checks.all import CHECKS, place_in_order
from canmap.checks.arrivals.timed_loss import TimedLoss
from canmap.checks.buses.channels import ChannelCheck
from canmap.checks.check import Check, End, Setting
from canmap.checks.nodes.node_restarts import NodeRestarts
from canmap.checks.recording.quiet import QuietChannels
from canmap.engine.prepare import Preparer
from canmap.findings.finding import Finding, Place
from canmap.findings.incidents import Known, gathered
from canmap.findings.kinds import SPEC
from canmap.findings.restarts import with_whole_restarts
from canmap.findings.surroundings import with_surroundings
from canmap.frames.session import SessionClock
from canmap.mapping.notes import Note, NoteReason
from canmap.records.build import RecordBuilder
from canmap.records.plain import PlainFields
from canmap.signals.counted import Counters
from canmap.signals.plan import DecodePlan
from canmap.signals.protected import Checksums
from canmap.signals.repeats import BitRates
from canmap.stream.consumer import feeds
from canmap.stream.sink import Step
from canmap.stream.view import View
from canmap.summaries.alive import Lifetimes
from canmap.summaries.changes import StateChanges
from canmap.summaries.counts import FrameCount
from canmap.summaries.fields import RecordSummaries
from canmap.summaries.periods import PeriodSummary
from canmap.timing.arrivals import Timeline
from canmap.timing.newest import Newest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from canmap.findings.episodes import Event
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import MessageRule, Spec
    from canmap.records.columns import RecordChunk
    from canmap.signals.before import Before
    from canmap.signals.decoded import Decoded
    from canmap.signals.prepared import Prepared
    from canmap.stream.consumer import Consumer

R = TypeVar("R")
C = TypeVar("C", bound=Check[Any])


def _nothing() -> None:
    """Do nothing between the parts of the work."""


class Engine:
    """Turns frames into records and findings.

    Args:
        spec: What the vehicle should say.
        consumers: What sums up the stream besides what every inspection needs.
        judges: Whether anything is checked; records are the same without.

    Attributes:
        spec: The same.
        session: The session clock.
        timeline: Arrival state of every stream.
        rules: The message rules, one a stream: those of the slots, then those of multiplexer values.
        between: Called between the parts of the work on a chunk, for what is due before all of it is done.
    """

    def __init__(
        self, spec: Spec, consumers: Iterable[Consumer[object]] = (), *, judges: bool = True
    ) -> None:
        self.between: Callable[[], None] = _nothing
        self.spec = spec
        self.plan = DecodePlan.build([(name, bus.description) for name, bus in spec.buses.items()])
        channels = [bus.channel for bus in spec.buses.values()]
        self.rules = (*_rules_by_slot(spec, self.plan), *spec.selections)
        stale_after = {(rule.bus, rule.message.name): rule.stale_after_ns for rule in spec.messages}
        self._builders = tuple(
            RecordBuilder(rule, self.plan, stale_after, spec.geometry) for rule in spec.records
        )
        self._plain = PlainFields(self.plan, [(builder.slot, builder.fields) for builder in self._builders])
        needed = {column for builder in self._builders for column in builder.columns}
        joins = sorted({pair for builder in self._builders for pair in builder.joins})
        rates = {
            bus.channel: BitRates(bus.bit_rate_bps, bus.data_bit_rate_bps)
            for bus in spec.buses.values()
            if bus.bit_rate_bps is not None
        }
        self._frames = 0
        of_slots = self.rules[: len(self.plan.slots)]
        counters, checksums = Counters(of_slots, self.plan), Checksums(of_slots)
        self.session = SessionClock()
        self.timeline = Timeline(self.plan, self.rules, channels)
        self._newest = Newest(needed | self.timeline.activity.columns, len(self.plan.columns))
        mapped = {builder.slot for builder in self._builders} | {self.plan.columns[c].slot for c in needed}
        setting = Setting(spec, self.plan, self.rules, rates, frozenset(mapped), counters, checksums)
        self._checks: tuple[Check[Any], ...] = tuple(check(setting) for check in (CHECKS if judges else ()))
        self._prepare = Preparer(setting, channels, joins, self._checks)
        self._changes = StateChanges(spec.records)
        self._consumers: tuple[Consumer[object], ...] = (
            FrameCount(),
            self._changes,
            PeriodSummary(len(self.rules)),
            RecordSummaries({builder.rule.name: self._lifetimes(builder) for builder in self._builders}),
            *consumers,
        )
        self._feeds = feeds(self._consumers)

    @property
    def frames(self) -> int:
        """Frames so far."""
        return self._frames

    def empty_records(self, name: str) -> RecordChunk:
        """Return no records of the kind that the spec names so, with every column that they would have."""
        return next(builder.empty for builder in self._builders if builder.rule.name == name)

    @property
    def start(self) -> Before:
        """What came before the first chunk: nothing."""
        return self._prepare.start

    def decode(self, chunk: FrameChunk) -> Decoded:
        """Work out what a chunk tells by itself; safe in any thread."""
        return self._prepare.decode(chunk)

    def after(self, decoded: Decoded, before: Before) -> Before:
        """Return what came before the next chunk; quick, and needed before that is prepared."""
        return self._prepare.after(decoded, before)

    def prepare(self, decoded: Decoded, before: Before) -> Prepared:
        """Work out what a chunk and what came before it tell; safe in any thread."""
        return self._prepare.prepare(decoded, before)

    def prepared(self, chunks: Iterable[FrameChunk]) -> Iterator[Prepared]:
        """Prepare all chunks of a stream in order, each when it is asked for."""
        before = self.start
        for chunk in chunks:
            decoded = self.decode(chunk)
            self.between()
            yield self.prepare(decoded, before)
            before = self.after(decoded, before)

    def fold(self, prepared: Prepared) -> Step:
        """Take in the next chunk; chunks come in order."""
        chunk = prepared.chunk
        before_ns = self.session.now_ns
        clock = self.session.advance(chunk.t_ns)
        before_ns = max(before_ns, self.session.start_ns or 0)
        holes = self.timeline.cover(chunk, self.session)
        self._newest.begin(prepared, clock)
        arrivals = self.timeline.fold(prepared.arrived, clock, self._newest)
        records = self._build(prepared)
        self._newest.carry()
        first_frame, self._frames = self._frames, self._frames + len(clock)
        view = View(
            prepared=prepared,
            clock=clock,
            arrivals=arrivals,
            timeline=self.timeline,
            session=self.session,
            before_ns=before_ns,
            records=records,
            holes=holes,
            first_frame=first_frame,
        )
        self.between()
        for feed in chain.from_iterable(self._feeds):
            feed.fold(view)
        events: list[Event] = []
        for check, part in zip(self._checks, prepared.parts, strict=True):
            self.between()
            events += check.fold(view, part)
        changes = self._changes.fresh()
        return Step(tuple(records.values()), tuple(events), self.session.now_ns, len(clock), changes)

    def finish(self) -> Step:
        """Judge the end of the stream; once."""
        self.timeline.close(self.session)
        end = End(self.timeline, self.session)
        events = [event for check in self._checks for event in check.finish(end)]
        return Step((), tuple(events), self.session.now_ns, 0)

    def result(self, kind: type[Consumer[R]]) -> R:
        """Return what the consumer of a class has of the stream so far.

        Raises:
            KeyError: The engine feeds none of that class.
        """
        for own, consumer in zip(self._feeds, self._consumers, strict=True):
            if isinstance(consumer, kind):
                for feed in own:
                    feed.settle()
                return consumer.result()
        raise KeyError(kind.__name__)

    def check(self, kind: type[C]) -> C:
        """Return the check of a class.

        Raises:
            KeyError: The engine has none of that class.
        """
        for check in self._checks:
            if isinstance(check, kind):
                return check
        raise KeyError(kind.__name__)

    def findings(self) -> list[Finding]:
        """Return all findings so far, by start."""
        start_ns = self.session.start_ns or 0
        found = [finding for check in self._checks for finding in check.findings()]
        found += self._spec_notes(start_ns)
        misplaced = frozenset(self.check(ChannelCheck).misplaced.channels)
        over_gap = self.check(TimedLoss).evidence.facts
        quiet = self.check(QuietChannels)
        known = Known(
            self.spec, self.rules, quiet.spans, start_ns, misplaced, over_gap, since_ns=quiet.since_ns
        )
        clamped = [
            replace(f, start_ns=max(f.start_ns, start_ns), end_ns=max(f.end_ns, start_ns))
            for f in with_whole_restarts(
                gathered(sorted(found, key=place_in_order), known),
                self.spec.manual.nodes,
                self.check(NodeRestarts).counted_ns,
            )
        ]
        whole = sorted(clamped, key=place_in_order)
        return with_surroundings(whole, self.result(StateChanges).changes, known)

    def _lifetimes(self, builder: RecordBuilder) -> Lifetimes:
        channel = self.spec.buses[builder.rule.bus].channel
        return Lifetimes(channel, builder.stale_after_ns, builder.max_age_ns)

    def _build(self, prepared: Prepared) -> dict[str, RecordChunk]:
        plain = self._plain.build(prepared.samples, self._newest)
        built = [
            builder.build(prepared.chunk, self._frames, self._newest, made)
            for builder, made in zip(self._builders, plain, strict=True)
        ]
        return {chunk.name: chunk for chunk in built if chunk is not None}

    def _spec_notes(self, start_ns: int) -> Iterable[Finding]:
        never = [
            Note(
                reason=NoteReason.NEVER_EXPECTED,
                bus=rule.bus,
                message=rule.message.name,
                subject=rule.name,
            )
            for stream, rule in enumerate(self.rules)
            if not self.timeline.activity.ever[stream]
        ]
        for note in (*self.spec.notes, *never, *self.check(TimedLoss).notes()):
            yield Finding(
                kind=SPEC,
                severity=SPEC.severity,
                place=Place(bus=note.bus, message=note.message),
                start_ns=start_ns,
                end_ns=start_ns,
                text=note.text,
                facts=note.facts,
            )


def _rules_by_slot(spec: Spec, plan: DecodePlan) -> tuple[MessageRule, ...]:
    rules = {(rule.bus, rule.message.name): rule for rule in spec.messages}
    return tuple(rules[slot.bus_name, slot.message.name] for slot in plan.slots)
