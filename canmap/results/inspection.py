"""What an inspection found, as data: messages, records, findings, verdict, and the JSON of it."""

from __future__ import annotations

import math
from dataclasses import asdict, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from canmap.base.dataclass import public_dataclass
from canmap.checks.buses.addresses import AddressCheck
from canmap.checks.buses.channels import ChannelCheck
from canmap.checks.buses.unknown_ids import identifier
from canmap.checks.protection.wrong_checksums import ChecksumCheck
from canmap.checks.recording.bad_lines import BadLineCheck
from canmap.findings.finding import Severity
from canmap.records.columns import Records
from canmap.results.shown import shown_fields
from canmap.summaries.alive import Extent
from canmap.summaries.changes import StateChanges
from canmap.summaries.counts import FrameCount
from canmap.summaries.fields import RecordSummaries
from canmap.summaries.periods import PeriodSummary
from canmap.vocabulary.record_types import field_types, plain_choice

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canmap.checks.protection.checksum_evidence import ChecksumOutcome
    from canmap.engine.engine import Engine
    from canmap.findings.finding import Finding
    from canmap.mapping.model import MessageRule, RecordRule
    from canmap.records.change import Change
    from canmap.records.columns import RecordChunk
    from canmap.results.shown import Shown
    from canmap.summaries.fields import FieldSummary, RecordSummary
    from canmap.summaries.periods import Period
    from canmap.vocabulary.record_types import FieldType

SCHEMA = "canmap/inspection/1"
ABSOLUTE_FROM_NS = 100_000_000 * 1_000_000_000  # stamps below this count from the start of the recording


@public_dataclass(frozen=True, slots=True)
class Capture:
    """What was read.

    Attributes:
        files: The captures as the user named them.
        frames: Frames in all.
        start_ns: First stamp that is used, as written.
        zero_ns: What session time counts from: the first stamp of the captures, used or not.
        duration_s: Session time from the first to the last frame.
        channels: Frames of each channel.
        bad_lines: Lines that could not be read.
        error_frames: Error frames among the frames; None where there are none, as most recorders keep none
            and nothing tells a bus without errors from a recorder without error frames.
        remote_frames: Remote frames among them; they ask for a message and hold none.
    """

    files: tuple[str, ...]
    frames: int
    start_ns: int
    zero_ns: int
    duration_s: float
    channels: Mapping[str, int]
    bad_lines: int
    error_frames: int | None
    remote_frames: int

    def at(self, session_ns: int) -> str | None:
        """Return a session clock as ISO 8601 in UTC; None where stamps are not absolute."""
        if self.start_ns < ABSOLUTE_FROM_NS:
            return None
        moment = datetime.fromtimestamp(session_ns // 1_000_000_000, UTC)
        moment += timedelta(microseconds=session_ns % 1_000_000_000 // 1000)
        return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


@public_dataclass(frozen=True, slots=True)
class ValueSummary:
    """How a message came with one value of its multiplexer, of which the spec promises something.

    Attributes:
        signal: The multiplexer.
        value: Its value, as the spec writes it.
        count: Frames.
        nominal_ns: Promised period, None for none.
        period: How far apart its frames came.
    """

    signal: str
    value: str
    count: int
    nominal_ns: int | None
    period: Period


@public_dataclass(frozen=True, slots=True)
class MessageSummary:
    """How one described message came.

    Attributes:
        bus: Its bus.
        name: Its name.
        can_id: Its identifier, as described.
        extended: It has 29 bits.
        sender: Node that sends it, None where nothing tells.
        count: Frames.
        nominal_ns: Promised period, None for none.
        period: How far apart its frames came.
        heartbeat_ns: Longest promised time between its frames where it is not cyclic, None for none.
        addresses: (source, destination, frames) where it is known by its parameter group; the destination is
            None where the group has none.
        values: How it came with each value of its multiplexer that the spec speaks of.
        checksum: What is known of its checksum, None where the spec promises none.
    """

    bus: str
    name: str
    can_id: int
    extended: bool
    sender: str | None
    count: int
    nominal_ns: int | None
    period: Period
    heartbeat_ns: int | None = None
    addresses: tuple[tuple[int, int | None, int], ...] = ()
    values: tuple[ValueSummary, ...] = ()
    checksum: ChecksumOutcome | None = None


@public_dataclass(frozen=True)
class Inspection:
    """The outcome of an inspection.

    Attributes:
        vehicle: The vehicle's name in the spec.
        capture: What was read.
        messages: Every described message, bus by bus in the order of the description.
        unknown_ids: (channel, identifier, extended, frames) of what no description knows.
        record_summaries: Count and span of each record, by name.
        extents: What of the session is covered of each record's channel, by its name.
        record_types: Class of each record's rows, by name.
        shown: How each field of each record is shown to people; what a program gets is SI.
        findings: By start.
        records: The records that were asked to be kept, by name.
        changes: When states, yes or no and codes of records changed, by time; the first 200 of each field.
        change_counts: How often each such field changed, all counted, by "record.field".
    """

    vehicle: str
    capture: Capture
    messages: tuple[MessageSummary, ...]
    unknown_ids: tuple[tuple[str, int, bool, int], ...]
    record_summaries: Mapping[str, RecordSummary]
    extents: Mapping[str, Extent]
    record_types: Mapping[str, type]
    shown: Mapping[str, Mapping[str, Shown]]
    findings: tuple[Finding, ...]
    records: Mapping[str, Records]
    changes: tuple[Change, ...] = ()
    change_counts: Mapping[str, int] = field(default_factory=dict)

    @property
    def verdict(self) -> str:
        """Return "fail" if any finding is an error, else "pass"."""
        return "fail" if any(f.severity is Severity.ERROR for f in self.findings) else "pass"

    def seconds(self, session_ns: int) -> float:
        """Return a session clock as seconds from the start."""
        return (session_ns - self.capture.zero_ns) / 1e9

    def to_json(self) -> dict[str, Any]:
        """Return the inspection as the documented JSON object (schema "canmap/inspection/1")."""
        return {
            "schema": SCHEMA,
            "vehicle": self.vehicle,
            "capture": {
                "files": list(self.capture.files),
                "frames": self.capture.frames,
                "start": self.capture.at(self.capture.start_ns),
                "duration_s": self.capture.duration_s,
                "channels": dict(sorted(self.capture.channels.items())),
                "bad_lines": self.capture.bad_lines,
                "error_frames": self.capture.error_frames,
                "remote_frames": self.capture.remote_frames,
            },
            "messages": [_message_json(message) for message in self.messages],
            "unknown_ids": [
                {"channel": channel, "id": identifier(can_id, extended=extended), "count": count}
                for channel, can_id, extended, count in self.unknown_ids
            ],
            "records": {
                name: _record_json(self.record_types[name], summary, self.extents[name])
                for name, summary in self.record_summaries.items()
            },
            "changes": [self._change_json(change) for change in self.changes],
            "change_counts": dict(self.change_counts),
            "findings": [self._finding_json(finding) for finding in self.findings],
            "verdict": self.verdict,
        }

    def _change_json(self, change: Change) -> dict[str, Any]:
        return {
            "t_s": self.seconds(change.clock_ns),
            "at": self.capture.at(change.clock_ns),
            "record": change.record,
            "field": change.field,
            "from": plain_choice(change.before),
            "to": plain_choice(change.after),
            "held_s": None if change.held_ns is None else change.held_ns / 1e9,
        }

    def _finding_json(self, finding: Finding) -> dict[str, Any]:
        place = finding.place
        return {
            "kind": finding.kind.value,
            "severity": finding.severity.value,
            "bus": place.bus,
            "message": place.message,
            "signal": place.signal,
            "record": place.record,
            "field": place.field,
            "start_s": self.seconds(finding.start_ns),
            "end_s": self.seconds(finding.end_ns),
            "start_at": self.capture.at(finding.start_ns),
            "end_at": self.capture.at(finding.end_ns),
            "open": finding.open,
            "count": finding.count,
            "value": _plain(finding.value),
            "limit": _plain(finding.limit),
            "text": finding.text,
            "line": finding.line,
            **({"beside": list(finding.beside)} if finding.beside else {}),
            **({"facts": dict(finding.facts)} if finding.facts else {}),
            **({"parts": [self._finding_json(part) for part in finding.parts]} if finding.parts else {}),
        }


def conclude(engine: Engine, files: Sequence[str], kept: Mapping[str, Sequence[RecordChunk]]) -> Inspection:
    """Return the inspection of a stream that `engine` has finished."""
    session, counts = engine.session, engine.result(FrameCount)
    periods, course = engine.result(PeriodSummary), engine.result(StateChanges)
    start_ns = session.start_ns or 0
    types = {rule.name: rule.type for rule in engine.spec.records}
    checksums = engine.check(ChecksumCheck).outcomes
    return Inspection(
        vehicle=engine.spec.vehicle,
        capture=Capture(
            files=tuple(files),
            frames=counts.frames,
            start_ns=start_ns,
            zero_ns=session.zero_ns,
            duration_s=(session.now_ns - start_ns) / 1e9,
            channels=dict(engine.check(ChannelCheck).counts),
            bad_lines=engine.check(BadLineCheck).count,
            error_frames=counts.error_frames or None,
            remote_frames=counts.remote_frames,
        ),
        messages=tuple(
            MessageSummary(
                bus=rule.bus,
                name=rule.message.name,
                can_id=rule.message.can_id,
                extended=rule.message.extended,
                sender=rule.sender,
                count=periods[slot].frames,
                nominal_ns=rule.period_ns,
                period=periods[slot],
                heartbeat_ns=rule.heartbeat_ns,
                addresses=engine.check(AddressCheck).of_slot(slot),
                values=tuple(_value_summaries(engine, rule, periods)),
                checksum=checksums.get((rule.bus, rule.message.name)),
            )
            for slot, rule in enumerate(engine.rules[: len(engine.plan.slots)])
        ),
        unknown_ids=tuple(engine.check(ChannelCheck).unknown_ids),
        record_summaries=engine.result(RecordSummaries),
        extents={rule.name: _extent(engine, rule) for rule in engine.spec.records},
        record_types=types,
        shown=shown_fields(engine.spec),
        findings=tuple(engine.findings()),
        records={
            name: Records(name, types[name], [engine.empty_records(name), *chunks], session.zero_ns)
            for name, chunks in kept.items()
        },
        changes=course.changes,
        change_counts=course.counts,
    )


def _extent(engine: Engine, rule: RecordRule) -> Extent:
    """What of the session is covered of the channel on which the records are stamped."""
    channel, session = engine.spec.buses[rule.bus].channel, engine.session
    holes = [hole for hole in engine.timeline.holes.found if hole.channel == channel]
    covered_ns = session.now_ns - (session.start_ns or 0) - sum(hole.end_ns - hole.start_ns for hole in holes)
    at_end = [hole.start_ns for hole in holes if hole.end_ns == session.now_ns and not hole.between]
    return Extent(covered_ns, min([session.now_ns, *at_end]), session.now_ns)


def _value_summaries(
    engine: Engine, message: MessageRule, periods: Sequence[Period]
) -> Iterator[ValueSummary]:
    for stream, rule in enumerate(engine.rules):
        chosen = rule.selected
        if chosen and (rule.bus, rule.message.name) == (message.bus, message.message.name):
            period = periods[stream]
            yield ValueSummary(chosen.signal, chosen.text, period.frames, rule.period_ns, period)


def _message_json(message: MessageSummary) -> dict[str, Any]:
    addresses = [
        {"source": f"{source:02X}", "destination": None if to is None else f"{to:02X}", "count": count}
        for source, to, count in message.addresses
    ]
    return {
        "bus": message.bus,
        "name": message.name,
        "id": identifier(message.can_id, extended=message.extended),
        "count": message.count,
        "sender": message.sender,
        "period_ms": _period_json(message.nominal_ns, message.period),
        **({} if message.heartbeat_ns is None else {"heartbeat_ms": _ms(message.heartbeat_ns)}),
        **({"addresses": addresses} if addresses else {}),
        **({"values": [_value_json(value) for value in message.values]} if message.values else {}),
        **({"checksum": asdict(message.checksum)} if message.checksum else {}),
    }


def _value_json(value: ValueSummary) -> dict[str, Any]:
    return {
        "signal": value.signal,
        "value": value.value,
        "count": value.count,
        "period_ms": _period_json(value.nominal_ns, value.period),
    }


def _period_json(nominal_ns: int | None, period: Period) -> dict[str, float | None]:
    return {
        "nominal": _ms(nominal_ns),
        "median": _ms(period.median_ns),
        "p99": _ms(period.p99_ns),
        "max": _ms(period.longest_ns),
    }


def _record_json(record_type: type, summary: RecordSummary, extent: Extent) -> dict[str, Any]:
    types = field_types(record_type)
    fields = {name: _field_json(types[name], span, extent) for name, span in summary.fields.items()}
    return {"type": record_type.__name__, "count": summary.count, "fields": fields}


def _field_json(field: FieldType, span: FieldSummary, extent: Extent) -> dict[str, Any]:
    age_ns = span.alive.age_ns(extent)
    is_number = field.kind is float
    return {
        "unit": field.unit,
        "min": _plain(span.low) if is_number else None,
        "max": _plain(span.high) if is_number else None,
        "mean": _plain(span.mean) if is_number else None,
        "last": last_value(field, span),
        "last_age_s": None if age_ns is None else age_ns / 1e9,
        "valid": span.alive.share(extent),
    }


def last_value(field: FieldType, span: FieldSummary) -> float | int | bool | str | None:
    """Return the value of a field in the last record: a number, yes or no, a code, or a state's name."""
    if span.last is None or field.kind is float:
        return _plain(span.last)
    return plain_choice(field.kind(span.last))


def _ms(duration_ns: float | None) -> float | None:
    return None if duration_ns is None else duration_ns / 1e6


def _plain(value: float | None) -> float | None:
    """A number that JSON can hold, without a negative zero."""
    return None if value is None or not math.isfinite(value) else value + 0.0
