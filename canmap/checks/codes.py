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
    """A field of a record that may hold codes instead of values.

    Attributes:
        place: What findings are about.
        column: Its signal.
        kind: How the raw values of that are read.
        no_data: Codes that are no value.
        codes: int64[k], codes of a choice that mean something, ascending; None where all do.
        labels: Labels of the description.
        plain: Smallest and largest of a run of raw values that all are good values.
    """

    place: Place
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
        self._absent = Episodes(self._describe_absent)
        self._undefined = Episodes(self._describe_undefined)
        self._timeline: Timeline | None = None

    def fold(self, view: View) -> list[Event]:
        """Judge the samples of one chunk."""
        prepared = view.prepared
        self._timeline = view.timeline
        odd = (prepared.low[self._column] < self._low) | (prepared.high[self._column] > self._high)
        look = {*np.flatnonzero(odd).tolist(), *self._absent.open_subjects, *self._undefined.open_subjects}
        for index in sorted(look):
            self._fold_subject(index, view)
        self._seen += np.diff(prepared.samples.column_start)
        return [*self._absent.events(), *self._undefined.events()]

    def finish(self) -> list[Event]:
        """Close what is open; what holds an odd code to the end is still going."""
        for episodes in (self._absent, self._undefined):
            for index in episodes.open_subjects:
                if self._timeline is not None and episodes.is_faulty(index):
                    slot = self._plan.columns[self._subjects[index].column].slot
                    episodes.mark_still(index, int(self._timeline.until_ns[slot]))
            episodes.finish()
        return [*self._absent.events(), *self._undefined.events()]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._absent.findings(), *self._undefined.findings()]

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
        undefined = np.zeros(len(raw), np.bool_)
        if subject.codes is not None:
            undefined = there & ~absent & ~np.isin(raw, subject.codes)
        good = there & ~absent & ~undefined
        for episodes, faulty in ((self._absent, absent), (self._undefined, undefined)):
            if index in episodes.open_subjects or faulty.any():
                self._judge(episodes, index, view, faulty, good)

    def _judge(
        self, episodes: Episodes, index: int, view: View, faulty: NDArray[np.bool_], good: NDArray[np.bool_]
    ) -> None:
        column = self._subjects[index].column
        raw, positions = view.prepared.samples.values(column), view.prepared.samples.positions(column)
        episodes.judge(
            subject=index,
            seen=int(self._seen[column]),
            faulty=faulty,
            good=good,
            clock=view.clock[positions],
            worst=lambda first, last: int(raw[first : last + 1][faulty[first : last + 1]].max()),
            line=lambda first: int(view.prepared.chunk.line[positions[first]]),
        )

    def _describe_absent(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        code = _code(episode, subject)
        said = next((span.text for span in subject.no_data if span.low <= code <= span.high), "")
        says = f'"{said}"' if said else "that it has no value"
        return self._finding(Kind.NOT_AVAILABLE, episode, f"said {says} (raw code {code})")

    def _describe_undefined(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        code = _code(episode, subject)
        label = subject.labels.get(code)
        what = f'("{label}"), which is none of its states' if label else "which has no label"
        return self._finding(
            Kind.UNDEFINED_VALUE, episode, f"held the raw code {code}{' ' if label else ', '}{what}"
        )

    def _finding(self, kind: Kind, episode: Episode, what: str) -> Finding:
        place = self._subjects[episode.subject].place
        when = " from the start" if episode.from_start and episode.still else ""
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        return episode.finding(
            kind,
            place,
            text=f"{place.message}.{place.signal} ({place.record}.{place.field}) {what}{when}.",
        )


def _code(episode: Episode, subject: Subject) -> int:
    code = int(episode.worst)
    return code % (1 << 64) if subject.kind is ColumnKind.WIDE_UNSIGNED else code


def _subjects(plan: DecodePlan, records: tuple[RecordRule, ...]) -> Iterator[Subject]:
    for record in records:
        for rule in record.fields:
            ref = rule.sources[0]
            number = plan.column_of[ref.bus, ref.message, ref.signal]
            column = plan.columns[number]
            codes = None if rule.codes is None else np.array(sorted(rule.codes), np.int64)
            span = _raw_span(column)
            if codes is not None and not rule.no_data and len(codes) == span[1] - span[0] + 1:
                codes = None  # every code means something
            if record.derived or (codes is None and not rule.no_data):
                continue
            good = _runs(codes.tolist()) if codes is not None else _between(span, rule.no_data)
            yield Subject(
                place=place_of(column, plan, record.name, rule, alone=True),
                column=number,
                kind=column.kind,
                no_data=rule.no_data,
                codes=codes,
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
