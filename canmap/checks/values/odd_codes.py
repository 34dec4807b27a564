"""Codes instead of values: "no data" and "error", and codes of a choice that mean nothing.

Only fields of records are judged: what no record needs may be empty, and only a field says for certain that a
signal is a choice. As long as the smallest and largest raw value of a column in a chunk lie between its odd
codes, its samples are not gone through.
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
from canmap.signals.extract import counts, no_data, patterns
from canmap.signals.limits import raw_span
from canmap.signals.prepared import HIGHEST, LOWEST

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode
    from canmap.mapping.description.description import NoData
    from canmap.mapping.model import RecordRule
    from canmap.signals.extract import Samples
    from canmap.signals.plan import Column, ColumnKind, DecodePlan

# The sender says openly that it has no value: no fault of the bus or the mapping, but a field that a
# record needs is empty, which a note would hide.
NOT_AVAILABLE = Kind("not_available", Severity.WARNING)
UNDEFINED_VALUE = Kind("undefined_value", Severity.ERROR)  # description, mapping and firmware do not fit


@dataclass(frozen=True, slots=True)
class CodedSignal:
    """A signal of record fields that may hold codes of one sort instead of values.

    Attributes:
        place: What findings are about.
        fields: The record fields for which the same codes are odd, as "drive.gear"; the first is that of the
            place.
        column: Its signal.
        kind: How the raw values of that are read.
        no_data: Codes that are no value.
        codes: int64[k], codes of a choice that mean something, ascending: all others but those of `no_data`
            are odd; None where those of `no_data` are.
        labels: Labels of the description.
        plain: Smallest and largest of a run of raw values that all are good values.
    """

    place: Place
    fields: tuple[str, ...]
    column: int
    kind: ColumnKind
    no_data: tuple[NoData, ...]
    codes: NDArray[np.int64] | None
    labels: Mapping[int, str]
    plain: tuple[int, int]


class CodeCheck(SampleCheck):
    """Judges the raw codes of every field of a record."""

    kinds = (NOT_AVAILABLE, UNDEFINED_VALUE)

    def __init__(self, setting: Setting) -> None:
        self._subjects = tuple(_subjects(setting.plan, setting.spec.records))
        plain = [subject.plain for subject in self._subjects]
        super().__init__(setting, [subject.column for subject in self._subjects], plain)

    def _judge(
        self, index: int, samples: Samples
    ) -> tuple[NDArray[np.int64 | np.uint64 | np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        subject = self._subjects[index]
        raw = samples.values(subject.column)
        held = there(samples, (subject.column,))
        absent = held & no_data(raw, subject.kind, subject.no_data)
        told = counts(raw, subject.kind)
        if subject.codes is None:
            return told, absent, held & ~absent
        known = np.isin(raw, subject.codes)
        return told, held & ~absent & ~known, held & ~absent & known

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        place = subject.place
        kind, what = _undefined(episode, subject) if subject.codes is not None else _absent(episode, subject)
        when = " from the start" if episode.from_start and episode.still else ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        text = f"{place.message}.{place.signal} ({', '.join(subject.fields)}) {what}{when}."
        return replace(episode.finding(kind, place, text), facts={"raw_code": int(episode.worst)})


def _absent(episode: Episode, subject: CodedSignal) -> tuple[Kind, str]:
    code = int(episode.worst)
    said = next((span.text for span in subject.no_data if span.low <= code <= span.high), "")
    says = f'"{said}"' if said else "no value"
    return NOT_AVAILABLE, f"reported {says} (raw code {code})"


def _undefined(episode: Episode, subject: CodedSignal) -> tuple[Kind, str]:
    code = int(episode.worst)
    label = subject.labels.get(code)
    what = f' ("{label}"), which is not one of its states' if label else ", which has no label"
    return UNDEFINED_VALUE, f"had the raw code {code}{what}"


def _subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[CodedSignal]:
    """Yield one for every signal and set of odd codes; fields with the same share it."""
    fields: dict[tuple[int, tuple[NoData, ...], tuple[int, ...] | None], list[Place]] = {}
    for record in records:
        for rule in record.fields:
            for ref, absent in zip(rule.sources, rule.no_data, strict=True):
                number = plan.column_of[ref.bus, ref.message, ref.signal]
                column = plan.columns[number]
                place = place_of(column, plan, record.name, rule, alone=True)
                if absent:
                    fields.setdefault((number, absent, None), []).append(place)
                if rule.codes is not None and (absent or not _all_mean_something(rule.codes, column)):
                    fields.setdefault((number, absent, tuple(sorted(rule.codes))), []).append(place)
    for (number, absent, codes), places in fields.items():
        column = plan.columns[number]
        span = raw_span(column.signal.bits, column.signal.signed)
        runs = _runs(list(codes)) if codes is not None else _between(span, absent)
        # Raw values from 2**63 on are held as negative numbers, which never are plain.
        good = [(low, min(high, HIGHEST)) for low, high in runs if low <= HIGHEST]
        yield CodedSignal(
            place=places[0],
            fields=tuple(f"{place.record}.{place.field}" for place in places),
            column=number,
            kind=column.kind,
            no_data=absent,
            codes=None if codes is None else patterns(codes),
            labels=column.signal.labels,
            plain=max(good, key=lambda run: run[1] - run[0], default=(HIGHEST, LOWEST)),
        )


def _all_mean_something(codes: Mapping[int, int], column: Column) -> bool:
    low, high = raw_span(column.signal.bits, column.signal.signed)
    return len(codes) == high - low + 1


def _runs(codes: list[int]) -> list[tuple[int, int]]:
    """Runs of whole numbers that follow each other."""
    runs: list[tuple[int, int]] = []
    for code in codes:
        if runs and runs[-1][1] == code - 1:
            runs[-1] = (runs[-1][0], code)
        else:
            runs.append((code, code))
    return runs


def _between(span: tuple[int, int], codes: tuple[NoData, ...]) -> list[tuple[int, int]]:
    """What `codes` leave of a span of raw values."""
    free, begin = [], span[0]
    for taken in sorted(codes, key=lambda one: one.low):
        if taken.low > begin:
            free.append((begin, min(taken.low - 1, span[1])))
        begin = max(begin, taken.high + 1)
    if begin <= span[1]:
        free.append((begin, span[1]))
    return free
