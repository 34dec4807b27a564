"""Floating-point signals that hold no number: infinite, or "not a number" of IEEE 754.

Judged before any range, of every signal that makes a field or has a described range: what is no number is
neither inside nor outside. A finite number that scale or sum takes beyond what a float holds counts too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import times
from canmap.checks.common.samples import SampleCheck, there
from canmap.checks.common.subjects import place_of
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.signals.extract import no_data
from canmap.signals.prepared import HIGHEST, LOWEST
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode
    from canmap.mapping.description.description import NoData
    from canmap.mapping.model import RecordRule
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan

NOT_A_NUMBER = Kind("not_a_number", Severity.ERROR)
NAN, INFINITE = 0, 1  # what findings tell of a sample; of both in one stretch the second


@dataclass(frozen=True, slots=True)
class FloatValue:
    """A value that may be no number.

    Attributes:
        place: What findings are about.
        fields: The record fields that are made so, as "drive.speed".
        quantity: How it is made.
        no_data: For each of its signals, the raw codes that are no value.
    """

    place: Place
    fields: tuple[str, ...]
    quantity: Quantity
    no_data: tuple[tuple[NoData, ...], ...]

    @property
    def name(self) -> str:
        """What sentences are about."""
        signal = f"{self.place.message}.{self.place.signal}" if self.place.signal else ""
        fields = ", ".join(self.fields)
        return f"{signal} ({fields})" if signal and fields else signal or fields


class NumberCheck(SampleCheck):
    """Judges every sample that may be no number."""

    kinds = (NOT_A_NUMBER,)

    def __init__(self, setting: Setting) -> None:
        self._subjects = tuple(_subjects(setting.plan, setting.spec.records))
        first = [subject.quantity.columns[0] for subject in self._subjects]
        super().__init__(setting, first, [(HIGHEST, LOWEST)] * len(first))

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        subject = self._subjects[index]
        columns = subject.quantity.columns
        raw = [samples.values(column) for column in columns]
        judged = there(samples, columns)
        for column, part, codes in zip(columns, raw, subject.no_data, strict=True):
            if codes:
                judged &= ~no_data(part, samples.plan.columns[column].kind, codes)
        values, finite = subject.quantity.values(raw)
        if finite is None:
            return values, np.zeros(len(judged), np.bool_), judged
        return np.where(np.isnan(values), NAN, INFINITE), judged & ~finite, judged & finite

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        what = "was infinite" if episode.worst == INFINITE else "was not a number"
        when = " from the start" if episode.from_start and episode.still else ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        return episode.finding(NOT_A_NUMBER, subject.place, f"{subject.name} {what}{when}.")


def _subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[FloatValue]:
    mapped: dict[Hashable, FloatValue] = {}
    used: set[int] = set()
    for record in records:
        for rule in record.fields:
            if rule.type.kind is not float:
                continue
            quantity = Quantity.of_rule(rule, plan)
            used.update(quantity.columns)
            if quantity.reach is None:
                first = plan.columns[quantity.columns[0]]
                place = place_of(first, plan, record.name, rule, alone=len(quantity.columns) == 1)
                subject = FloatValue(place, (f"{record.name}.{rule.type.name}",), quantity, rule.no_data)
                key = (quantity.columns, rule.factor, rule.offset, rule.no_data)
                same = mapped.get(key)
                mapped[key] = subject if same is None else replace(same, fields=same.fields + subject.fields)
    yield from mapped.values()
    for number, column in enumerate(plan.columns):
        signal, slot = column.signal, plan.slots[column.slot]
        has_range = signal.minimum is not None or signal.maximum is not None
        if not has_range or number in used:
            continue
        own = Quantity.of_column(plan, number)
        if own.reach is None:
            place = Place(bus=slot.bus_name, message=slot.message.name, signal=signal.name)
            yield FloatValue(place, (), own, (signal.no_data,))
