"""Findings as diagnostics, after REP-107: a status for every message that matters, and what is wrong with it.

A status is named "vehicle: axis: message"; its hardware is the node that sends the message. Silence has the
level STALE, which the convention keeps for it. A monitor goes by key, so each key of a status is there once:
"stale.age_s", "out_of_range.Throttle.value", "unknown_id.7A1.count", and "loss.2.count" of a second loss.
"""

from __future__ import annotations

from collections import Counter
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.findings.episodes import Closed, Opened
from canmap.findings.finding import Severity
from canmap.findings.kinds import MISSING, STALE, UNKNOWN_ID
from canmap.topics.cdr import serialised_one
from canmap.topics.moments import AFTER_FRAMES, BEFORE_FRAMES, Ticks
from canmap.topics.standard_types import standard_types
from canmap.topics.topic_messages import Payloads, TopicMessages

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.findings.episodes import Event
    from canmap.findings.finding import Finding, Place
    from canmap.mapping.model import RecordRule, Spec
    from canmap.stream.sink import Step
    from canmap.topics.topic import Topic

OK_LEVEL, STALE_LEVEL = 0, 3
LEVELS = {Severity.NOTE: OK_LEVEL, Severity.WARNING: 1, Severity.ERROR: 2}
_SILENT = (STALE, MISSING)


@dataclass(frozen=True, slots=True)
class _Subject:
    """What a status is about, and what it is called."""

    name: str
    hardware_id: str


class Diagnostics:
    """What is wrong at the moment, as the fields of a `diagnostic_msgs/msg/DiagnosticArray`.

    Args:
        spec: What the vehicle should say.
    """

    def __init__(self, spec: Spec) -> None:
        self._vehicle = spec.vehicle
        self._senders = {(rule.bus, rule.message.name): rule.sender or "" for rule in spec.messages}
        self._axes = _axes(spec.records)
        self._judged = tuple(
            self._of_message(bus, message)
            for bus, message in dict.fromkeys(
                [
                    *self._axes,
                    *((r.bus, r.message.name) for r in spec.messages if r.line and r.stale_after_ns),
                ]
            )
        )
        self._open: dict[tuple[object, ...], list[Finding]] = {}  # of one key, the oldest first
        self._passed: list[Finding] = []  # what began and ended since the last time it was asked

    def take(self, event: Event) -> None:
        """Take what opened or closed."""
        finding = event.finding
        alike = self._open.setdefault(_key(finding), [])
        if not isinstance(event, Opened):
            del alike[:1]
        if isinstance(event, Opened) or (isinstance(event, Closed) and finding.open):
            alike.append(finding)
            return
        self._passed.append(finding)
        if not alike:
            del self._open[_key(finding)]

    def status(self, now_ns: int) -> list[dict[str, Any]]:
        """Return all statuses at a moment of the session clock; what ended since the last call is in them."""
        by_subject: dict[_Subject, list[Finding]] = {subject: [] for subject in self._judged}
        for finding in (*chain.from_iterable(self._open.values()), *self._passed):
            by_subject.setdefault(self._subject(finding.place), []).append(finding)
        self._passed = []
        others = sorted(by_subject.keys() - set(self._judged), key=lambda subject: subject.name)
        return [_status(subject, by_subject[subject], now_ns) for subject in (*self._judged, *others)]

    def _subject(self, place: Place) -> _Subject:
        if place.bus is not None and place.message is not None:
            return self._of_message(place.bus, place.message)
        about = place.record or place.bus or "capture"
        return _Subject(f"{self._vehicle}: {about}: {place.field or place.signal or 'all'}", place.bus or "")

    def _of_message(self, bus: str, message: str) -> _Subject:
        axis = self._axes.get((bus, message), bus)
        return _Subject(f"{self._vehicle}: {axis}: {message}", self._senders.get((bus, message)) or bus)


class DiagnosticsTopic:
    """Makes the messages of `/diagnostics`: once a second, and whenever what is wrong changes.

    A change waits until its moment is over, so that all changes of a moment are one message.

    Args:
        topic: The topic.
        spec: What the vehicle should say.
        start_ns: Session clock of the first frame.
    """

    def __init__(self, topic: Topic, spec: Spec, start_ns: int) -> None:
        self._topic = topic
        self._diagnostics = Diagnostics(spec)
        self._seconds = Ticks(start_ns, 1_000_000_000)
        self._waiting: list[tuple[int, Event]] = []
        self._now_ns = start_ns

    def of(self, step: Step) -> TopicMessages:
        """Return the messages of the next step."""
        for event in step.events:
            known_ns = step.now_ns if event.known_ns is None else event.known_ns
            self._waiting.append((max(known_ns, self._now_ns), event))
        self._now_ns = step.now_ns
        moments = [(second, BEFORE_FRAMES) for second in self._seconds.until(step.now_ns).tolist()]
        changes = {known_ns for known_ns, _ in self._waiting if known_ns < step.now_ns}
        return self._messages(sorted([*moments, *((change, AFTER_FRAMES) for change in changes)]))

    def rest(self) -> TopicMessages:
        """Return what waits, at the end."""
        return self._messages(sorted({(known_ns, AFTER_FRAMES) for known_ns, _ in self._waiting}))

    def _messages(self, moments: list[tuple[int, int]]) -> TopicMessages:
        self._waiting.sort(key=lambda waiting: waiting[0])
        payloads = []
        for now_ns, place in moments:
            while self._waiting and (self._waiting[0][0], AFTER_FRAMES) <= (now_ns, place):
                self._diagnostics.take(self._waiting.pop(0)[1])
            sec, nanosec = divmod(now_ns, 1_000_000_000)
            value = {
                "header": {"stamp": {"sec": sec, "nanosec": nanosec}, "frame_id": ""},
                "status": self._diagnostics.status(now_ns),
            }
            payloads.append(serialised_one(self._topic.type, standard_types(), value))
        clock_ns = np.array([now_ns for now_ns, _ in moments], np.int64)
        frame = np.array([place for _, place in moments], np.int64)
        start = np.cumsum([0, *map(len, payloads)], dtype=np.int64)
        data = np.frombuffer(b"".join(payloads), np.uint8)
        return TopicMessages(self._topic, frame, clock_ns, clock_ns, Payloads(data, start))


def _axes(records: Iterable[RecordRule]) -> dict[tuple[str, str], str]:
    """The first record that each message goes into, by its bus and name."""
    axes: dict[tuple[str, str], str] = {}
    for rule in records:
        axes.setdefault((rule.bus, rule.stamp), rule.name)
        for source in (source for field in rule.fields for source in field.sources):
            axes.setdefault((source.bus, source.message), rule.name)
    return axes


def _key(finding: Finding) -> tuple[object, ...]:
    return finding.kind, finding.place, finding.start_ns, finding.stream


def _status(subject: _Subject, findings: list[Finding], now_ns: int) -> dict[str, Any]:
    ranked = sorted(findings, key=lambda finding: (-_level(finding), finding.start_ns, finding.text))
    worst = ranked[0] if ranked else None
    names = _names(findings)
    return {
        "level": OK_LEVEL if worst is None else _level(worst),
        "name": subject.name,
        "message": "no finding" if worst is None else worst.text,
        "hardware_id": subject.hardware_id,
        "values": [
            {"key": key, "value": value}
            for finding in ranked
            for key, value in _values(finding, names[id(finding)], now_ns).items()
        ],
    }


def _names(findings: list[Finding]) -> dict[int, str]:
    """What the keys of each finding begin with, by its identity; no two of a status begin alike.

    That is its kind and what of the subject it is about, such as a signal. What is alike in that is numbered
    from the oldest, which so keeps its keys when another one begins.
    """
    names: dict[int, str] = {}
    alike: Counter[str] = Counter()
    for finding in sorted(findings, key=lambda finding: (finding.start_ns, finding.text)):
        about = _about(finding)
        name = f"{finding.kind}.{about}" if about else str(finding.kind)
        alike[name] += 1
        names[id(finding)] = f"{name}.{alike[name]}" if alike[name] > 1 else name
    return names


def _about(finding: Finding) -> str:
    """What a finding is about that the name of its status does not say; "" for nothing else."""
    if finding.kind == UNKNOWN_ID:
        return str(finding.facts.get("id", ""))
    place = finding.place
    return "" if place.message is None else place.signal or place.field or ""


def _level(finding: Finding) -> int:
    return STALE_LEVEL if finding.kind in _SILENT else LEVELS[finding.severity]


def _values(finding: Finding, name: str, now_ns: int) -> Mapping[str, str]:
    """What is known of a finding, each under its name, since a status may hold several."""
    known = {
        "value": finding.value,
        "limit": finding.limit,
        "age_s": (now_ns - finding.start_ns) / 1e9,
        "count": finding.count,
    }
    return {f"{name}.{what}": f"{value:.9g}" for what, value in known.items() if value is not None}
