"""Values that change faster than the manual says they can.

Judged is the change from one valid value to the next over the time between their frames. Where a recorder
stamps frames too close together, they are taken to be a period of their message apart, or the nearest whole
number of periods; a step of one count of the signal is always allowed. Over a step of the recorder's clock
the time is not known, and nothing is judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number
from canmap.checks.record_values import RecordValueCheck, judged_fields, often
from canmap.findings.finding import Finding, Kind, Severity
from canmap.frames.session import HELD_BACK_NS
from canmap.signals.plan import ColumnKind
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.record_values import JudgedField
    from canmap.findings.episodes import Episode
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View

SLEW = Kind("slew", Severity.ERROR)


@dataclass(frozen=True, slots=True)
class _Valid:
    """The newest valid value of a field: session clock and stamp of its frame in ns, and the value."""

    clock_ns: int
    stamp_ns: int
    value: float


class SlewCheck(RecordValueCheck):
    """Judges how fast every field changes that has a limit for it."""

    kinds = (SLEW,)
    judges = ("slew",)

    def __init__(self, setting: Setting) -> None:
        super().__init__([field for field in judged_fields(setting) if field.rule.slew is not None])
        self._limit = [float(field.rule.slew or 0) for field in self._fields]
        self._step = [_one_count(field, setting) for field in self._fields]
        periods = {(rule.bus, rule.message.name): rule.period_ns or 0 for rule in setting.spec.messages}
        sources = [field.rule.sources[0] for field in self._fields]
        self._period_ns = [periods[source.bus, source.message] for source in sources]
        self._last: list[_Valid | None] = [None] * len(self._fields)

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        column = chunk.columns[self._fields[subject].rule.type.name]
        told = np.zeros(len(chunk))
        faulty, good = np.zeros(len(chunk), np.bool_), np.zeros(len(chunk), np.bool_)
        rows = np.flatnonzero(column.valid)
        if not len(rows):
            return told, faulty, good
        age_ns, values = column.age_ns[rows], column.values[rows].astype(np.float64)
        clock, stamp = chunk.clock_ns[rows] - age_ns, chunk.stamp_ns[rows] - age_ns
        last = self._last[subject] or _Valid(int(clock[0]), int(stamp[0]), float(values[0]))
        self._last[subject] = _Valid(int(clock[-1]), int(stamp[-1]), float(values[-1]))
        passed_ns = np.diff(clock, prepend=last.clock_ns)
        stepped = np.abs(np.diff(stamp, prepend=last.stamp_ns) - passed_ns) > HELD_BACK_NS
        apart_ns = _apart_ns(passed_ns, self._period_ns[subject])
        change = np.abs(np.diff(values, prepend=last.value))
        fast = (change > self._limit[subject] * (apart_ns / 1e9) + self._step[subject]) & (apart_ns > 0)
        told[rows] = change / (np.maximum(apart_ns, 1) / 1e9)
        faulty[rows] = fast & ~stepped
        # One that is only held, of a message that is slower than the record, says nothing new.
        good[rows] = ~fast & ((age_ns == 0) | (passed_ns > 0))
        return told, faulty, good

    def _describe(self, episode: Episode) -> Finding:
        field, limit = self._fields[episode.subject], self._limit[episode.subject]
        said = field.said
        shown, bound, unit = episode.worst / said.factor, limit / said.factor, f"{said.unit or '1'}/s"
        text = (
            f"{said.name} changed by up to {number(shown)} {unit}{often(episode)}; "
            f"its limit is {number(bound)} {unit}."
        )
        found = episode.finding(SLEW, field.place, value=episode.worst, limit=limit, text=text)
        return replace(found, facts={said.name: shown, "limit": bound, "unit": unit})


def _apart_ns(passed_ns: NDArray[np.int64], period_ns: int) -> NDArray[np.int64]:
    """How far apart frames are taken to be, int64[n]: the nearest number of periods, or what passed."""
    if not period_ns:
        return passed_ns
    periods = np.maximum((2 * passed_ns + period_ns) // (2 * period_ns), 1)
    apart_ns: NDArray[np.int64] = np.maximum(passed_ns, periods * period_ns)
    return apart_ns


def _one_count(field: JudgedField, setting: Setting) -> float:
    """How much the value changes by the finest step of its signals, at most."""
    quantity = Quantity.of_rule(field.rule, setting.plan)
    if any(part.kind is ColumnKind.FLOAT for part in quantity.scalings):
        return 0.0
    finest = min(abs(part.line.factor * quantity.line.factor) for part in quantity.scalings)
    if quantity.table is None:
        return finest
    steepest = np.abs(np.diff(quantity.table[1]) / np.diff(quantity.table[0])).max(initial=0.0)
    return float(finest * steepest)
