"""Codes instead of values: "no data" and "error", and codes of a choice that mean nothing.

Only fields of records are judged: what no record needs may be empty, and only a field says for certain that a
signal is a choice. As long as the smallest and largest raw value of a column in a chunk lie between its odd
codes, its samples are not gone through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.episodes import Episodes
from canmap.checks.finding import Finding, Kind, Place
from canmap.checks.subjects import place_of
from canmap.checks.words import times
from canmap.signals.extract import no_data
from canmap.signals.plan import ColumnKind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from canmap.arrivals import Timeline
    from canmap.checks.episodes import Episode, Event
    from canmap.checks.view import View
    from canmap.signals.plan import Column, DecodePlan
    from canmap.spec.description import NoData
    from canmap.spec.model import RecordRule

LOWEST, HIGHEST = np.iinfo(np.int64).min, np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Subject:
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


class CodeCheck:
    """Judges the raw codes of every field of a record.

    Args:
        plan: The decode plan.
        records: What is made of it.
    """

    def __init__(self, plan: DecodePlan, records: tuple[RecordRule, ...]) -> None:
        self._plan = plan
        self._subjects = tuple(_subjects(plan, records))
        self._column = np.array([subject.column for subject in self._subjects], np.intp)
        self._low = np.array([subject.plain[0] for subject in self._subjects], np.int64)
        self._high = np.array([subject.plain[1] for subject in self._subjects], np.int64)
        self._seen = np.zeros(len(plan.columns), np.int64)
        self._episodes = Episodes(self._describe)
        self._timeline: Timeline | None = None

    def fold(self, view: View) -> list[Event]:
        """Judge the samples of one chunk."""
        prepared = view.prepared
        self._timeline = view.timeline
        odd = (prepared.low[self._column] < self._low) | (prepared.high[self._column] > self._high)
        look = {*np.flatnonzero(odd).tolist(), *self._episodes.open_subjects}
        for index in sorted(look):
            self._fold_subject(index, view)
        self._seen += np.diff(prepared.samples.column_start)
        return self._episodes.events()

    def finish(self) -> list[Event]:
        """Close what is open; what holds an odd code to the end is still going."""
        self._episodes.finish(self._until_ns)
        return self._episodes.events()

    def _until_ns(self, index: int) -> int:
        slot = self._plan.columns[self._subjects[index].column].slot
        return int(self._timeline.until_ns[slot]) if self._timeline else 0

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _fold_subject(self, index: int, view: View) -> None:
        subject = self._subjects[index]
        samples = view.prepared.samples
        raw = samples.values(subject.column)
        if not len(raw):
            return
        there = np.ones(len(raw), np.bool_)
        if samples.valid is not None:
            bounds = samples.column_start[subject.column : subject.column + 2]
            there = samples.valid[bounds[0] : bounds[1]]
        absent = there & no_data(raw, subject.kind, subject.no_data)
        if subject.codes is None:
            faulty, good = absent, there & ~absent
        else:
            known = np.isin(raw, subject.codes)
            faulty, good = there & ~absent & ~known, there & ~absent & known
        if index not in self._episodes.open_subjects and not faulty.any():
            return
        positions = samples.positions(subject.column)
        self._episodes.judge(
            subject=index,
            seen=int(self._seen[subject.column]),
            faulty=faulty,
            good=good,
            clock=view.clock[positions],
            worst=lambda first, last: int(raw[first : last + 1][faulty[first : last + 1]].max()),
            line=lambda first: int(view.prepared.chunk.line[positions[first]]),
        )

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        place = subject.place
        kind, what = _undefined(episode, subject) if subject.codes is not None else _absent(episode, subject)
        when = " from the start" if episode.from_start and episode.still else ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        text = f"{place.message}.{place.signal} ({', '.join(subject.fields)}) {what}{when}."
        return episode.finding(kind, place, text)


def _absent(episode: Episode, subject: Subject) -> tuple[Kind, str]:
    code = _code(episode, subject)
    said = next((span.text for span in subject.no_data if span.low <= code <= span.high), "")
    says = f'"{said}"' if said else "that it has no value"
    return Kind.NOT_AVAILABLE, f"said {says} (raw code {code})"


def _undefined(episode: Episode, subject: Subject) -> tuple[Kind, str]:
    code = _code(episode, subject)
    label = subject.labels.get(code)
    what = f' ("{label}"), which is none of its states' if label else ", which has no label"
    return Kind.UNDEFINED_VALUE, f"held the raw code {code}{what}"


def _code(episode: Episode, subject: Subject) -> int:
    code = int(episode.worst)
    return code % (1 << 64) if subject.kind is ColumnKind.WIDE_UNSIGNED else code


def _subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[Subject]:
    """Yield one for every signal and set of odd codes; fields with the same share it."""
    fields: dict[tuple[int, tuple[NoData, ...], tuple[int, ...] | None], list[Place]] = {}
    for record in records:
        for rule in record.fields:
            ref = rule.sources[0]
            number = plan.column_of[ref.bus, ref.message, ref.signal]
            column = plan.columns[number]
            place = place_of(column, plan, record.name, rule, alone=True)
            if rule.no_data:
                fields.setdefault((number, rule.no_data, None), []).append(place)
            span = _raw_span(column)
            every_code_means_something = (
                rule.codes is not None and not rule.no_data and len(rule.codes) == span[1] - span[0] + 1
            )
            if rule.codes is not None and not every_code_means_something:
                fields.setdefault((number, rule.no_data, tuple(sorted(rule.codes))), []).append(place)
    for (number, absent, codes), places in fields.items():
        column = plan.columns[number]
        good = _runs(list(codes)) if codes is not None else _between(_raw_span(column), absent)
        yield Subject(
            place=places[0],
            fields=tuple(f"{place.record}.{place.field}" for place in places),
            column=number,
            kind=column.kind,
            no_data=absent,
            codes=None if codes is None else np.array(codes, np.int64),
            labels=column.signal.labels,
            plain=max(good, key=lambda run: run[1] - run[0], default=(HIGHEST, LOWEST)),
        )


def _raw_span(column: Column) -> tuple[int, int]:
    """Smallest and largest raw value; of what is not compared as an integer, none is ever plain."""
    if column.kind is not ColumnKind.INTEGER:
        return HIGHEST, LOWEST
    bits = column.signal.bits
    return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if column.signal.signed else (0, (1 << bits) - 1)


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
