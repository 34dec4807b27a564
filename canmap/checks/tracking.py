"""Axes that do not do what is asked of them.

A report that follows its demand is, at every moment, near some demand of the time that the axis may take. So
it is judged against the smallest and the largest demand of that time, and a demand that moves on is no fault.
Nothing is judged while the axis is not active, as far as its record says, and while either value is not
valid; when it becomes active, the axis first has its time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number, seconds, times
from canmap.checks.record_values import RecordValueCheck, judged_fields
from canmap.findings.finding import Finding, Kind, Severity
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.manual import AxisRule
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View

TRACKING = Kind("tracking", Severity.ERROR)
_NEVER_NS = np.iinfo(np.int64).min // 2


@dataclass(slots=True)
class _Demands:
    """The demands that still count: the newest before the time that an axis may take, and those in it.

    Attributes:
        clock_ns: int64[n], ascending.
        frame: int64[n].
        values: float64[n].
        valid: bool[n].
    """

    clock_ns: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    frame: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    values: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    valid: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))

    def take(self, chunk: RecordChunk | None, name: str) -> None:
        """Add those of a chunk."""
        if chunk is not None:
            column = chunk.columns[name]
            self.clock_ns = np.concatenate([self.clock_ns, chunk.clock_ns])
            self.frame = np.concatenate([self.frame, chunk.frame])
            self.values = np.concatenate([self.values, column.values.astype(np.float64)])
            self.valid = np.concatenate([self.valid, column.valid])

    def forget(self, until_ns: int) -> None:
        """Drop those that are older than the newest of a time or before."""
        first = max(int(np.searchsorted(self.clock_ns, until_ns, side="right")) - 1, 0)
        if first:
            self.clock_ns, self.frame = self.clock_ns[first:], self.frame[first:]
            self.values, self.valid = self.values[first:], self.valid[first:]

    def span(
        self, frame: NDArray[np.int64], since_ns: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        """Smallest and largest demand in force from a time to a frame, [n] each, and whether all are valid."""
        last = np.searchsorted(self.frame, frame, side="right")
        first = np.searchsorted(self.clock_ns, since_ns, side="right") - 1
        known = (first >= 0) & (last > 0)
        first = np.minimum(np.maximum(first, 0), np.maximum(last - 1, 0))
        pairs = np.stack([first, np.maximum(last, first + 1)], axis=1).ravel()
        low = _reduced(np.minimum, self.values, pairs)
        high = _reduced(np.maximum, self.values, pairs)
        return low, high, known & _reduced(np.logical_and, self.valid, pairs)


def _reduced(operation: np.ufunc, values: NDArray, pairs: NDArray[np.intp]) -> NDArray:  # type: ignore[type-arg]
    """Reduce the values from one of each pair to the other; the ends may be those of the values."""
    padded = np.append(values, values[-1:])
    return operation.reduceat(padded, pairs)[::2]


class TrackingCheck(RecordValueCheck):
    """Judges the report of every axis that has a tolerance."""

    kinds = (TRACKING,)

    def __init__(self, setting: Setting) -> None:
        axes = [axis for axis in setting.spec.manual.axes if axis.tolerance is not None and not axis.echo]
        by_name = {
            (one.record.name, one.rule.type.name): one
            for one in judged_fields(setting, lambda rule: rule.type.kind is float)
        }
        self._axes: list[AxisRule] = [axis for axis in axes if axis.report in by_name]
        super().__init__([by_name[axis.report] for axis in self._axes])
        self._demands = [_Demands() for _ in self._axes]
        self._active_since = [_NEVER_NS for _ in self._axes]
        self._was_active = [False for _ in self._axes]

    def fold(self, view: View, part: None) -> list[Event]:
        """Judge the records of one chunk."""
        for axis, demands in zip(self._axes, self._demands, strict=True):
            demands.take(view.records.get(axis.demand[0]), axis.demand[1])
        events = super().fold(view, part)
        for axis, demands in zip(self._axes, self._demands, strict=True):
            demands.forget(view.session.now_ns - axis.within_ns)
        return events

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        axis, demands = self._axes[subject], self._demands[subject]
        report = chunk.columns[axis.report[1]]
        settled = self._settled(subject, chunk)
        if not len(demands.values):
            nothing = np.zeros(len(chunk), np.bool_)
            return np.zeros(len(chunk)), nothing, nothing
        low, high, known = demands.span(chunk.frame, chunk.clock_ns - axis.within_ns)
        off = np.maximum(np.maximum(low - report.values, report.values - high), 0.0)
        judged = settled & known & report.valid
        faulty = off > float(axis.tolerance or 0)
        return off, judged & faulty, judged & ~faulty

    def _settled(self, subject: int, chunk: RecordChunk) -> NDArray[np.bool_]:
        """Whether the axis was active for as long as it may take, bool[n]; one without a state always is."""
        state = chunk.columns.get("state")
        active = np.ones(len(chunk), np.bool_)
        if state is not None:
            active = state.valid & (state.values == AxisState.ACTIVE)
        begins = active & ~np.concatenate([[self._was_active[subject]], active[:-1]])
        since = np.maximum.accumulate(
            np.concatenate([[self._active_since[subject]], np.where(begins, chunk.clock_ns, _NEVER_NS)])
        )
        self._was_active[subject], self._active_since[subject] = bool(active[-1]), int(since[-1])
        return active & (chunk.clock_ns - since[1:] >= self._axes[subject].within_ns)

    def _describe(self, episode: Episode) -> Finding:
        axis, said = self._axes[episode.subject], self._fields[episode.subject].said
        limit = float(axis.tolerance or 0)
        off, allowed = (
            f"{number(value / said.factor)} {said.unit}".rstrip() for value in (episode.worst, limit)
        )
        often = f" {times(episode.count, 'time')}" if episode.count > 1 else ""
        if episode.more:
            often = f" in {times(episode.more, 'more stretch')} that are not listed"
        text = (
            f"{said.name} was up to {off} away from {'.'.join(axis.demand)}{often}; it may be {allowed} away"
        )
        late = f" after {seconds(axis.within_ns)}" if axis.within_ns else ""
        found = episode.finding(
            TRACKING,
            self._fields[episode.subject].place,
            value=episode.worst,
            limit=limit,
            text=f"{text}{late}.",
        )
        return replace(
            found, facts={"away": episode.worst / said.factor, "unit": said.unit, "axis": axis.name}
        )
