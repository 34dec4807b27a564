"""The common half of the checks that judge finished values of records: those of one field against others."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canmap.checks.check import EpisodeCheck
from canmap.checks.subjects import field_says, place_of
from canmap.findings.episodes import Episodes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.subjects import Said
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding, Place
    from canmap.mapping.model import FieldRule, RecordRule
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


def judged_fields(setting: Setting, wanted: Callable[[FieldRule], bool]) -> list[JudgedField]:
    """Return the fields of all records that a check wants."""
    plan = setting.plan
    found = []
    for record in setting.spec.records:
        for rule in filter(wanted, record.fields):
            columns = [plan.column_of[ref.bus, ref.message, ref.signal] for ref in rule.sources]
            place = place_of(plan.columns[columns[0]], plan, record.name, rule, alone=len(columns) == 1)
            stream = plan.slot_of[record.bus, record.stamp]
            found.append(JudgedField(record, rule, place, field_says(place, rule), stream))
    return found


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
