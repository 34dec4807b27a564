"""The common half of the checks that judge finished values of records: those of one field against others."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import replace
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.subjects import Said, field_says, place_of
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Place
from canmap.vocabulary.record_types import field_types

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding
    from canmap.mapping.model import FieldRule, RecordRule
    from canmap.mapping.refs import MessageRef, SignalRef
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View


@dataclass(frozen=True, slots=True)
class JudgedField:
    """A field of a record whose values are judged.

    Attributes:
        record: The record.
        rule: The field.
        place: What findings are about.
        said: How sentences say its value.
        stream: Stream of the message that stamps the record.
    """

    record: RecordRule
    rule: FieldRule
    place: Place
    said: Said
    stream: int


def judged_fields(setting: Setting) -> list[JudgedField]:
    """Return the mapped fields of all records; what a derived record takes over is judged where it is."""
    found = []
    for record in setting.spec.records:
        if not record.derived:
            found += [_judged(record, rule, setting) for rule in record.fields]
    return found


def judged_field(setting: Setting, record: RecordRule, name: str) -> JudgedField | None:
    """Return one quantity of a record, derived ones too; None where it is not mapped."""
    mapped = {rule.type.name: rule for rule in record.fields}
    if not record.derived:
        return _judged(record, mapped[name], setting) if name in mapped else None
    field = field_types(record.type)[name]
    rule = replace(record.fields[0], type=field, unit=field.unit)
    stream = setting.plan.slot_of[record.bus, record.stamp]
    place = Place(bus=record.bus, message=record.stamp, record=record.name, field=name)
    return JudgedField(record, rule, place, Said(f"{record.name}.{name}", 1.0, 0.0, field.unit), stream)


def _judged(record: RecordRule, rule: FieldRule, setting: Setting) -> JudgedField:
    plan = setting.plan
    columns = [plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources]
    place = place_of(plan.columns[columns[0]], plan, record.name, rule, alone=len(columns) == 1)
    return JudgedField(record, rule, place, field_says(place, rule), plan.slot_of[record.bus, record.stamp])


def has_field(record: RecordRule, name: str) -> bool:
    """Tell whether records have a field: what comes from something that is not built yet is not there."""
    return record.derived or any(rule.type.name == name for rule in record.fields)


def stale_after_ns(setting: Setting, ref: MessageRef | SignalRef) -> int | None:
    """Return the silence of a message after which its values hold no longer, None for never."""
    rules = {(rule.bus, rule.message.name): rule for rule in setting.spec.messages}
    return rules[ref.bus, ref.message].stale_after_ns


def often(episode: Episode) -> str:
    """Return what a sentence says of how often, "" for once: ", 3 times"."""
    if episode.more:
        return f", in {times(episode.more, 'more stretch')} that are not listed"
    if episode.from_start and episode.still:
        return ", from the start"
    return f", {times(episode.count, 'time')}" if episode.count > 1 else ""


class RecordValueCheck(EpisodeCheck[None]):
    """Judges the finished values of fields, record by record.

    Args:
        fields: Which, one a subject.
        excess: Returns how bad a value of a subject is.
    """

    def __init__(
        self,
        fields: Sequence[JudgedField],
        excess: Callable[[int, float], float] = lambda _subject, value: value,
    ) -> None:
        self._fields = tuple(fields)
        self._seen = [0] * len(self._fields)
        self._episodes = Episodes(self._describe, excess)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the records of one chunk."""
        for subject, judged in enumerate(self._fields):
            chunk = view.records.get(judged.record.name)
            if chunk is not None:
                self._fold_subject(subject, chunk, view)
                self._seen[subject] += len(chunk)
        return self._episodes.events()

    def _fold_subject(self, subject: int, chunk: RecordChunk, view: View) -> None:
        values, faulty, good = self._judge(subject, chunk, view)
        if subject not in self._episodes.open_subjects and not faulty.any():
            return

        def worst(first: int, last: int) -> float:
            inside = values[first : last + 1][faulty[first : last + 1]]
            return self._episodes.worse(subject, inside.min().item(), inside.max().item())

        self._episodes.judge(
            subject=subject,
            seen=self._seen[subject],
            faulty=faulty,
            good=good,
            clock=chunk.clock_ns,
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[chunk.frame[first] - view.first_frame]),
        )

    @abstractmethod
    def _judge(
        self, subject: int, chunk: RecordChunk, view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        """Return what findings say of each record of a subject, which are faulty, and which are good."""

    @abstractmethod
    def _describe(self, episode: Episode) -> Finding:
        """Return the finding of an episode."""

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._fields[subject].stream)
