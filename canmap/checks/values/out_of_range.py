"""Values outside the limits of the spec or of the description.

What is outside is for `canmap.signals.ranges` to say, for records as for findings. The smallest and largest
raw value of a column in a chunk tell whether it needs a closer look; only then are its samples gone through.
Sums, tables and floating-point numbers have no raw limits and are always looked at.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.common.hints import with_hint
from canmap.checks.common.samples import SampleCheck, there
from canmap.checks.common.subjects import subjects
from canmap.checks.values.other_byte_order import OtherByteOrder
from canmap.checks.values.other_sign import OtherSign
from canmap.findings.finding import Finding, Kind, Severity
from canmap.signals.extract import counts, no_data

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.subjects import RangedValue
    from canmap.findings.episodes import Episode, Event
    from canmap.signals.extract import Samples
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

OUT_OF_RANGE = Kind("out_of_range", Severity.ERROR)


class LimitCheck(SampleCheck):
    """Judges every sample that has limits."""

    kinds = (OUT_OF_RANGE,)

    def __init__(self, setting: Setting) -> None:
        self._subjects = tuple(subjects(setting.plan, setting.spec.records))
        self._readings = [_readings(subject, setting) for subject in self._subjects]
        # Of those that have left their range, from which sample of this chunk on other readings are tried.
        self._tried_from: dict[int, int] = {}
        first = [subject.columns[0] for subject in self._subjects]
        super().__init__(setting, first, [subject.plain for subject in self._subjects], self._excess)

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the samples of one chunk, and read what is out of range otherwise."""
        events = super().fold(view, part)
        samples = view.prepared.samples
        for index, first in self._tried_from.items():
            subject = self._subjects[index]
            raw, kind = samples.values(subject.columns[0]), samples.plan.columns[subject.columns[0]].kind
            told = there(samples, subject.columns) & ~no_data(raw, kind, subject.no_data[0])
            for reading in self._readings[index]:
                reading.take(raw[first:][told[first:]])
            self._tried_from[index] = 0
        return events

    def findings(self) -> list[Finding]:
        """Return all findings so far; the first about a signal says if it looks as if read wrongly."""
        found = super().findings()
        for index in self._tried_from:
            fitting = next((one for one in self._readings[index] if one.fits), None)
            if fitting is not None:
                place = self._subjects[index].place
                found = with_hint(found, place, fitting.hint, fitting.correction)
        return found

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        subject = self._subjects[index]
        raw = [samples.values(column) for column in subject.columns]
        judged = there(samples, subject.columns)
        for column, part, codes in zip(subject.columns, raw, subject.no_data, strict=True):
            if codes:
                judged &= ~no_data(part, samples.plan.columns[column].kind, codes)
        values, finite = subject.quantity.values(raw)
        if finite is not None:
            judged &= finite
        outside = subject.range.outside(raw, values, finite)
        faulty = np.zeros(len(judged), np.bool_) if outside is None else outside & judged
        if self._readings[index] and index not in self._tried_from and faulty.any():
            self._tried_from[index] = int(faulty.argmax())
        told = (
            counts(raw[0], samples.plan.columns[subject.columns[0]].kind) if subject.range.counts else values
        )
        return told, faulty, judged & ~faulty

    def _excess(self, index: int, value: float) -> float:
        low, high = self._subjects[index].compared_ends
        return max(low - value, value - high)

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        value = subject.finished(episode.worst)
        low, high = subject.range.ends
        limit = low if low - value > value - high else high
        owner = subject.owners[0]
        shown, bound = owner.value(value), owner.value(limit)
        side = "below" if shown < bound else "above"
        when = ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        elif episode.from_start and episode.still:
            when = " from the start"

        def text(figures: Figures) -> str:
            return f"{subject.said(value, figures)}, {side} its limit of {owner.text(limit, figures)}{when}."

        found = episode.finding(OUT_OF_RANGE, subject.place, text, value=value, limit=limit)
        return replace(found, facts=subject.facts(value, bound))


def _readings(subject: RangedValue, setting: Setting) -> list[OtherByteOrder | OtherSign]:
    """The other readings of a value that is made of one signal."""
    readings = (OtherByteOrder.of(subject, setting.plan), OtherSign.of(subject, setting.plan))
    return [reading for reading in readings if reading is not None]
