"""Axes that do not do what is asked of them.

A report that follows its demand is, at every moment, near some demand of the time that the axis may take. So
it is judged against the smallest and the largest demand of that time, and a demand that moves on is no fault.
Nothing is judged while the axis is not active, as far as its record says, while there is no demand (none came
yet, it is stale, its enable bit is off), and while either value is not valid. After that, the axis first has
its time.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import seconds
from canmap.checks.axes.following import Following, Verdicts
from canmap.checks.common.at_one_time import OLDEST_HELD_NS
from canmap.checks.common.hints import with_hint
from canmap.checks.common.other_scale import OtherScale
from canmap.checks.common.pages import paged
from canmap.checks.common.record_values import (
    RecordValueCheck,
    has_field,
    judged_field,
    often,
    stale_after_ns,
)
from canmap.findings.finding import Finding, Kind, Severity
from canmap.mapping.refs import MessageRef
from canmap.signals.ranges import ROUNDING
from canmap.timing.newest import Newest
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.record_values import JudgedField
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.manual import CommandedAxis
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

TRACKING = Kind("tracking", Severity.ERROR)
# Only records whose report is far from zero tell whether its sign is wrong, as near zero both signs follow.
# It is wrong where nearly all of them are off, and nearly all would follow with the other sign.
_FAR_TOLERANCES = 2  # from zero
_LEAST_RECORDS = 20
_NEARLY_ALL = 0.95
_NEVER_NS = np.iinfo(np.int64).min // 2


@dataclass(slots=True)
class _Demands:
    """The demands that still count: the newest before the time that an axis may take, and those in it.

    Attributes:
        name: The field.
        stale_after_ns: Silence after which a demand is none any more, None for never.
        clock_ns: int64[n], ascending.
        frame: int64[n].
        values: float64[n].
        absent: int64[n], how many up to each are no demand, or came after a silence.
    """

    name: str
    stale_after_ns: int | None
    clock_ns: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    frame: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    values: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    absent: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    def take(self, chunk: RecordChunk | None) -> None:
        """Add those of a chunk."""
        if chunk is None:
            return
        column, enable = chunk.columns[self.name], chunk.columns.get("enable")
        valid = column.valid if enable is None else column.valid & enable.valid & (enable.values == 1)
        absent = (~valid).astype(np.int64)
        if self.stale_after_ns is not None:
            before = self.clock_ns[-1:] if len(self.clock_ns) else chunk.clock_ns[:1]
            absent += np.diff(chunk.clock_ns, prepend=before) > self.stale_after_ns
        counted = np.cumsum(absent) + (self.absent[-1] if len(self.absent) else 0)
        self.absent = np.concatenate([self.absent, counted])
        self.clock_ns = np.concatenate([self.clock_ns, chunk.clock_ns])
        self.frame = np.concatenate([self.frame, chunk.frame])
        self.values = np.concatenate([self.values, np.where(valid, column.values, np.nan)])

    def forget(self, until_ns: int) -> None:
        """Drop those that are older than the newest of a time or before."""
        first = max(int(np.searchsorted(self.clock_ns, until_ns, side="right")) - 1, 0)
        if first:
            self.clock_ns, self.frame = self.clock_ns[first:], self.frame[first:]
            self.values, self.absent = self.values[first:], self.absent[first:]

    def span(
        self, frame: NDArray[np.int64], clock: NDArray[np.int64], since_ns: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        """Return the smallest and the largest demand in force from a time to a frame.

        Args:
            frame: int64[n], the frames.
            clock: int64[n], session clock of each.
            since_ns: int64[n], the begin of each time.

        Returns:
            float64[n] each, and bool[n]: whether there was a demand all that time.
        """
        newest = np.searchsorted(self.frame, frame, side="right") - 1
        first = np.searchsorted(self.clock_ns, since_ns, side="right") - 1
        there = (newest >= 0) & (first >= 0)
        newest = np.maximum(newest, 0)
        first = np.clip(first, 0, newest)
        pairs = np.stack([first, newest + 1], axis=1).ravel()
        padded = np.append(self.values, np.nan)
        low, high = (operation.reduceat(padded, pairs)[::2] for operation in (np.minimum, np.maximum))
        there &= (self.absent[newest] == self.absent[first]) & ~np.isnan(low)
        if self.stale_after_ns is not None:
            there &= clock - self.clock_ns[newest] <= self.stale_after_ns
        return low, high, there


class TrackingCheck(RecordValueCheck):
    """Judges the report of every axis that has a tolerance."""

    kinds = (TRACKING,)

    def __init__(self, setting: Setting) -> None:
        records = {rule.name: rule for rule in setting.spec.records}
        found: list[tuple[CommandedAxis, JudgedField, _Demands]] = []
        for axis in setting.spec.manual.axes:
            demand = records[axis.demand[0]]
            report = judged_field(setting, records[axis.report[0]], axis.report[1])
            if axis.tolerance is None or axis.echo or report is None or not has_field(demand, axis.demand[1]):
                continue
            stale_ns = stale_after_ns(setting, MessageRef(demand.bus, demand.stamp))
            found.append((axis, report, _Demands(axis.demand[1], stale_ns)))
        self._axes = [axis for axis, _, _ in found]
        self._demands = [demands for _, _, demands in found]
        super().__init__([report for _, report, _ in found])
        self._following = [
            Following(axis.when, report.stream, setting) if axis.when else None for axis, report, _ in found
        ]
        columns = {column for one in self._following if one for column in one.columns}
        self._newest = Newest(columns, len(setting.plan.columns))
        oldest = [report.rule.max_age_ns for report in self._fields]
        self._oldest_ns = [OLDEST_HELD_NS if age_ns is None else age_ns for age_ns in oldest]
        self._active_since = [_NEVER_NS for _ in self._axes]
        self._was_active = [False for _ in self._axes]
        self._told = [0 for _ in self._axes]
        # Of each axis, records with a report far from zero: all; that are off; that would follow if turned.
        self._sign_counts = [np.zeros(3, np.int64) for _ in self._axes]
        self._scales = [OtherScale(report.said.unit) for report in self._fields]

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the records of one chunk."""
        for axis, demands in zip(self._axes, self._demands, strict=True):
            demands.take(view.records.get(axis.demand[0]))
        self._newest.begin(view.prepared, view.clock)
        events = super().fold(view, part)
        self._newest.carry()
        for subject, following in enumerate(self._following):
            if following is not None:
                following.take(view)
                self._tell_ripe(subject, following.ripe(view.session.now_ns))
                events += self._episodes.events()
        for axis, demands, oldest_ns in zip(self._axes, self._demands, self._oldest_ns, strict=True):
            demands.forget(view.session.now_ns - axis.within_ns - oldest_ns)
        return events

    def finish(self, end: End) -> list[Event]:
        """Judge what still waits, and close what is open."""
        for subject, following in enumerate(self._following):
            if following is not None:
                self._tell_ripe(subject, following.ripe(end.session.now_ns, last=True))
        return super().finish(end)

    def findings(self) -> list[Finding]:
        """Return all findings so far; the first of an axis says if the sign or the scale looks wrong."""
        found = super().findings()
        for report, counts in zip(self._fields, self._sign_counts, strict=True):
            far, off, follow_turned = counts.tolist()
            if far >= _LEAST_RECORDS and min(off, follow_turned) >= _NEARLY_ALL * far:
                hint = "With the other sign it would follow: check the `sign` of both."
                found = with_hint(found, report.place, hint, {"wrong": "sign"})
        for axis, report, scale in zip(self._axes, self._fields, self._scales, strict=True):
            if (scaled := scale.hint(".".join(axis.demand))) is not None:
                found = with_hint(found, report.place, *scaled)
        return found

    def _fold_subject(self, subject: int, chunk: RecordChunk, view: View) -> None:
        following = self._following[subject]
        if following is None:
            super()._fold_subject(subject, chunk, view)
            return
        values, faulty, good = self._judge(subject, chunk, view)
        line = view.prepared.chunk.line[chunk.frame - view.first_frame]
        following.wait(Verdicts(chunk.clock_ns, values, faulty, good, line))
        state = chunk.columns.get("state")
        if state is not None:
            following.ended(chunk.clock_ns[~(state.valid & (state.values == AxisState.ACTIVE))])

    def _tell_ripe(self, subject: int, verdicts: Verdicts) -> None:
        if len(verdicts) and (subject in self._episodes.open_subjects or verdicts.faulty.any()):
            values, faulty = verdicts.values, verdicts.faulty
            self._episodes.judge(
                subject=subject,
                seen=self._told[subject],
                faulty=faulty,
                good=verdicts.good,
                clock=verdicts.clock,
                worst=lambda first, last: float(values[first : last + 1][faulty[first : last + 1]].max()),
                line=lambda first: int(verdicts.line[first]),
            )
        self._told[subject] += len(verdicts)

    def _judge(
        self, subject: int, chunk: RecordChunk, view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        axis, demands = self._axes[subject], self._demands[subject]
        report = chunk.columns[axis.report[1]]
        settled = self._settled(subject, chunk, view)
        if not len(demands.values):
            nothing = np.zeros(len(chunk), np.bool_)
            return np.zeros(len(chunk)), nothing, nothing
        since_ns = chunk.clock_ns - np.maximum(report.age_ns, 0) - axis.within_ns
        low, high, there = demands.span(chunk.frame, chunk.clock_ns, since_ns)
        off = np.maximum(np.maximum(low - report.values, report.values - high), 0.0)
        judged = settled & there & report.valid & (report.age_ns <= self._oldest_ns[subject])
        rounding = (np.abs(low) + np.abs(high) + np.abs(report.values)) * ROUNDING
        allowed = float(axis.tolerance or 0) + rounding
        faulty = judged & (off > allowed)
        far = judged & (np.abs(report.values) > _FAR_TOLERANCES * allowed)
        follows_turned = (low + report.values <= allowed) & (-report.values - high <= allowed)
        self._sign_counts[subject] += [far.sum(), (far & faulty).sum(), (far & follows_turned).sum()]
        values, wanted = report.values[judged].astype(np.float64), (low[judged], high[judged])
        self._scales[subject].take(values, wanted, faulty[judged], allowed[judged])
        return off, faulty, judged & ~faulty

    def _settled(self, subject: int, chunk: RecordChunk, view: View) -> NDArray[np.bool_]:
        """Whether the axis was active for as long as it may take, bool[n]; one without a state always is."""
        state, following = chunk.columns.get("state"), self._following[subject]
        active = np.ones(len(chunk), np.bool_)
        if state is None and following is None:
            return active
        if state is not None:
            active = state.valid & (state.values == AxisState.ACTIVE)
        if following is not None:
            active &= following.holds(self._newest, chunk.frame - view.first_frame, chunk.clock_ns)
        begins = active & ~np.concatenate([[self._was_active[subject]], active[:-1]])
        since = np.where(begins, chunk.clock_ns, _NEVER_NS)
        since[0] = max(int(since[0]), self._active_since[subject])
        since = np.maximum.accumulate(since)
        self._was_active[subject], self._active_since[subject] = bool(active[-1]), int(since[-1])
        settled: NDArray[np.bool_] = active & (chunk.clock_ns - since >= self._axes[subject].within_ns)
        return settled

    def _describe(self, episode: Episode) -> Finding:
        axis, said = self._axes[episode.subject], self._fields[episode.subject].said
        limit = float(axis.tolerance or 0)
        away, allowed = episode.worst / said.factor, limit / said.factor
        late = f" {seconds(axis.within_ns)} after a demand" if axis.within_ns else ""

        def text(figures: Figures) -> str:
            off, bound = (figures.difference(value, said.unit) for value in (away, allowed))
            return (
                f"{said.name} was up to {off} away from {'.'.join(axis.demand)}{often(episode)}; "
                f"{bound} is allowed{late}."
            )

        place = self._fields[episode.subject].place
        found = episode.finding(TRACKING, place, text, value=episode.worst, limit=limit)
        facts: dict[str, str | float] = {
            "axis": axis.name,
            "away": away,
            "allowed": allowed,
            "unit": said.unit,
        }
        if axis.within_ns:
            facts["within_s"] = axis.within_ns / 1e9
        return replace(found, facts=paged(facts, axis.page))
