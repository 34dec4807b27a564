"""Values that stay the same to the last bit although something that moves them moved.

A value that is measured has noise in its last bits, so that it never stays the same for long; one of a sensor
that died, or of a copy that is not renewed, does. So a value is frozen when it has not changed since the
related field had moved by so much, and that was longer ago than it may be. Judged are all raw values of a
field's signals, whether or not the field itself is valid then; codes for "no data" are no values.

A demand moves a value only while its axis is active: of the report of an axis that must move with its demand,
nothing is judged, and nothing counts, while the state of its record is another one or is not known.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import seconds, times
from canmap.checks.common.lasting import Judged, LastingCheck, lines_at
from canmap.checks.common.pages import paged
from canmap.checks.common.record_values import has_field, judged_fields, stale_after_ns
from canmap.checks.common.samples import there
from canmap.findings.finding import Finding, Kind, Severity
from canmap.records.standing import StandingRecord
from canmap.signals.extract import no_data
from canmap.signals.ranges import ROUNDING
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.record_values import JudgedField
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.manual import FrozenRule
    from canmap.mapping.model import Spec
    from canmap.signals.extract import Samples
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

FROZEN = Kind("frozen", Severity.ERROR)
_NOT_YET_NS = np.iinfo(np.int64).max // 2


@dataclass(slots=True)
class _Run:
    """A stretch in which a value stays the same, carried from chunk to chunk.

    Attributes:
        raw: The raw value of each signal, None before the first.
        last_ns: Session clock of its newest sample.
        since_ns: That of its first.
        low: Smallest related value in it, infinite while there is none.
        high: Largest.
        moved_ns: Session clock from which on these were far enough apart.
        first_ns: That of the first sample of all.
        idle: At its newest sample, the axis that moves it was not active.
    """

    raw: tuple[int, ...] | None = None
    last_ns: int = 0
    since_ns: int = 0
    low: float = np.inf
    high: float = -np.inf
    moved_ns: int = _NOT_YET_NS
    first_ns: int | None = None
    idle: bool = False


class FrozenCheck(LastingCheck):
    """Judges every field that must move with another one.

    The value of a finding is for how long the value stayed the same, in s, its limit how long it may.
    """

    kinds = (FROZEN,)

    def __init__(self, setting: Setting) -> None:
        self._plan = setting.plan
        records = {rule.name: rule for rule in setting.spec.records}
        found = [
            (one, rule)
            for one in judged_fields(setting)
            if (rule := one.rule.frozen) is not None and has_field(records[rule.related[0]], rule.related[1])
        ]
        self._fields = [field for field, _ in found]
        self._rules = [rule for _, rule in found]
        column_of = setting.plan.column_of
        self._columns = [
            [column_of[ref.bus, ref.message, ref.signal] for ref in field.rule.sources]
            for field in self._fields
        ]
        self._gap_ns = [stale_after_ns(setting, field.rule.sources[0]) for field in self._fields]
        self._axis_of = [_commanded(field, rule, setting.spec) for field, rule in found]
        needed = {rule.related[0] for rule in self._rules} | {name for name in self._axis_of if name}
        self._standing = {name: StandingRecord(setting.spec, records[name]) for name in sorted(needed)}
        self._runs = [_Run() for _ in found]
        super().__init__([setting.plan.columns[columns[0]].slot for columns in self._columns])

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        for name, standing in self._standing.items():
            standing.begin(view.records.get(name))
        return super().fold(view, part)

    def _judge(self, subject: int, view: View) -> Judged | None:
        samples, columns = view.prepared.samples, self._columns[subject]
        if not len(samples.values(columns[0])):
            return None
        rows = self._values(subject, samples).nonzero()[0]
        if not len(rows):
            return None
        positions = samples.positions(columns[0])[rows]
        clock = view.clock[positions]
        raw = np.stack([samples.values(column)[rows] for column in columns])
        record, field = self._rules[subject].related
        standing = self._standing[record].at_frames(positions + view.first_frame, clock)
        related = np.full(len(rows), np.nan)
        if standing is not None:
            column = standing.columns[field]
            related[column.valid] = column.values[column.valid]
        idle = self._idle(subject, positions + view.first_frame, clock)
        since, moved = self._fold_run(subject, raw, clock, related, idle)
        faulty = clock - moved > self._rules[subject].longer_than_ns
        first_ns = self._runs[subject].first_ns or 0
        line = lines_at(view, positions)
        return Judged(clock, (clock - since) / 1e9, faulty, ~faulty, since, first_ns, line)

    def _values(self, subject: int, samples: Samples) -> NDArray[np.bool_]:
        """Which samples are values, bool[n]."""
        columns = self._columns[subject]
        judged = there(samples, columns)
        for column, codes in zip(columns, self._fields[subject].rule.no_data, strict=True):
            if codes:
                judged &= ~no_data(samples.values(column), self._plan.columns[column].kind, codes)
        return judged

    def _idle(
        self, subject: int, frame: NDArray[np.int64], clock: NDArray[np.int64]
    ) -> NDArray[np.bool_] | None:
        """At which samples the axis that moves the value is not active, bool[n]; None where none moves it."""
        record = self._axis_of[subject]
        if record is None:
            return None
        standing = self._standing[record].at_frames(frame, clock)
        if standing is None:
            return np.ones(len(clock), np.bool_)
        state = standing.columns["state"]
        idle: NDArray[np.bool_] = ~(state.valid & (state.values == AxisState.ACTIVE))
        return idle

    def _fold_run(
        self,
        subject: int,
        raw: NDArray[np.int64],
        clock: NDArray[np.int64],
        related: NDArray[np.float64],
        idle: NDArray[np.bool_] | None,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return since when the value is the same, and since when the related one has moved in that time.

        Args:
            subject: The subject.
            raw: int64[signals, n], raw values.
            clock: int64[n], session clock.
            related: float64[n], the related value, not a number where it is not known.
            idle: bool[n], at which samples nothing moves the value, so that they begin anew; None for none.

        Returns:
            int64[n] each; the second lies far ahead where the related value has not moved, or where the
            value did not stay the same for long enough to ask.
        """
        run, rule = self._runs[subject], self._rules[subject]
        changes = self._changes(run, raw, clock, self._gap_ns[subject])
        if idle is not None:
            changes |= idle | np.concatenate(([run.idle], idle[:-1]))
            run.idle = bool(idle[-1])
        since = np.maximum.accumulate(np.where(changes, clock, run.since_ns))
        begins = changes.copy()
        begins[0] = True
        starts = begins.nonzero()[0]
        ends = np.append(starts[1:], len(clock))
        asked = clock[ends - 1] - since[starts] > rule.longer_than_ns
        asked[-1] = True  # it may go on
        moved = np.full(len(clock), _NOT_YET_NS)
        for start, end in zip(starts[asked].tolist(), ends[asked].tolist(), strict=True):
            if changes[start]:
                run.low, run.high, run.moved_ns = np.inf, -np.inf, _NOT_YET_NS
            low = np.fmin.accumulate(np.append(run.low, related[start:end]))
            high = np.fmax.accumulate(np.append(run.high, related[start:end]))
            rounding = (np.abs(high) + np.abs(low)) * ROUNDING
            far = (high - low > float(rule.moves) + rounding)[1:]
            if run.moved_ns == _NOT_YET_NS and far.any():
                run.moved_ns = int(clock[start + far.argmax()])
            moved[start:end][far] = run.moved_ns
            run.low, run.high = float(low[-1]), float(high[-1])
        run.raw, run.last_ns, run.since_ns = tuple(raw[:, -1].tolist()), int(clock[-1]), int(since[-1])
        return since, moved

    @staticmethod
    def _changes(
        run: _Run, raw: NDArray[np.int64], clock: NDArray[np.int64], gap_ns: int | None
    ) -> NDArray[np.bool_]:
        """Where the value is not what it was, or comes after a silence, bool[n]."""
        changes = np.ones(len(clock), np.bool_)
        changes[1:] = (raw[:, 1:] != raw[:, :-1]).any(axis=0)
        changes[0] = run.raw != tuple(raw[:, 0].tolist())
        if gap_ns is not None:
            changes |= np.diff(clock, prepend=run.last_ns) > gap_ns
        if run.first_ns is None:
            run.first_ns = int(clock[0])
        return changes

    def _describe(self, episode: Episode) -> Finding:
        field, rule = self._fields[episode.subject], self._rules[episode.subject]
        moves = float(rule.moves) / rule.unit_factor
        limit_s = rule.longer_than_ns / 1e9
        when = f", in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""

        def text(figures: Figures) -> str:
            return (
                f"{field.said.name} stayed the same to the last bit for {seconds(episode.worst * 1e9)}, "
                f"although {'.'.join(rule.related)} moved by more than "
                f"{figures.difference(moves, rule.unit)}{when}; "
                f"{seconds(rule.longer_than_ns)} after that it must have changed."
            )

        found = episode.finding(FROZEN, field.place, text, value=episode.worst, limit=limit_s)
        facts: dict[str, str | float] = {"moves": moves, "unit": rule.unit}
        return replace(found, facts=paged(facts, rule.page))


def _commanded(field: JudgedField, rule: FrozenRule, spec: Spec) -> str | None:
    """The record that tells whether an axis is active, where the demand of that axis moves its report."""
    for axis in spec.manual.axes:
        is_report = axis.report == (field.record.name, field.rule.type.name)
        if is_report and axis.demand == rule.related and has_field(field.record, "state"):
            return field.record.name
    return None
