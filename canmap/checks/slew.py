"""Values that change faster than the manual says they can.

Judged is the change from one valid value to the next over the time between their frames. Frames that a
recorder stamps too close together are taken to be as far apart as the message's period, and a step of one
count of the signal is always allowed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number, times
from canmap.checks.record_values import RecordValueCheck, judged_fields
from canmap.findings.finding import Finding, Kind, Severity
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.record_values import JudgedField
    from canmap.findings.episodes import Episode
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View

SLEW = Kind("slew", Severity.ERROR)


class SlewCheck(RecordValueCheck):
    """Judges how fast every field changes that has a limit for it."""

    kinds = (SLEW,)
    judges = ("slew",)

    def __init__(self, setting: Setting) -> None:
        super().__init__(judged_fields(setting, lambda rule: rule.slew is not None))
        self._limit = [float(field.rule.slew or 0) for field in self._fields]
        self._step = [_one_count(field, setting) for field in self._fields]
        periods = {(rule.bus, rule.message.name): rule.period_ns or 0 for rule in setting.spec.messages}
        sources = [field.rule.sources[0] for field in self._fields]
        self._period_ns = [periods[source.bus, source.message] for source in sources]
        # The newest valid value of each: its time in ns and the value.
        self._last: list[tuple[int, float] | None] = [None] * len(self._fields)

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        column = chunk.columns[self._fields[subject].rule.type.name]
        rows = np.flatnonzero(column.valid)
        at_ns, values = (chunk.clock_ns - column.age_ns)[rows], column.values[rows].astype(np.float64)
        last = self._last[subject]
        before_ns, before = (at_ns[:1], values[:1]) if last is None else ([last[0]], [last[1]])
        since_ns = np.diff(at_ns, prepend=before_ns)
        change = np.abs(np.diff(values, prepend=before))
        rate = change / (np.maximum(since_ns, max(self._period_ns[subject], 1)) / 1e9)
        allowed = self._limit[subject] * np.maximum(since_ns, self._period_ns[subject]) / 1e9
        fast = (change > allowed + self._step[subject]) & (since_ns > 0)
        if len(rows):
            self._last[subject] = int(at_ns[-1]), float(values[-1])
        told = np.zeros(len(chunk))
        faulty, good = np.zeros(len(chunk), np.bool_), np.zeros(len(chunk), np.bool_)
        told[rows], faulty[rows], good[rows] = rate, fast, ~fast
        return told, faulty, good

    def _describe(self, episode: Episode) -> Finding:
        field, limit = self._fields[episode.subject], self._limit[episode.subject]
        said = field.said
        shown, bound = episode.worst / said.factor, limit / said.factor
        unit = f"{said.unit}/s"
        often = f", {times(episode.count, 'time')}" if episode.count > 1 else ""
        if episode.more:
            often = f", in {times(episode.more, 'more stretch')} that are not listed"
        found = episode.finding(
            SLEW,
            field.place,
            value=episode.worst,
            limit=limit,
            text=f"{said.name} changed by {_rate(shown, unit)}; its limit is {_rate(bound, unit)}{often}.",
        )
        return replace(found, facts={said.name: shown, "limit": bound, "unit": unit})


def _rate(value: float, unit: str) -> str:
    return f"{number(value)} {unit}"


def _one_count(field: JudgedField, setting: Setting) -> float:
    """How much the value changes by the finest step of its signals, at most."""
    quantity = Quantity.of_rule(field.rule, setting.plan)
    finest = min(abs(part.line.factor * quantity.line.factor) for part in quantity.scalings)
    if quantity.table is None:
        return finest
    steepest = np.abs(np.diff(quantity.table[1]) / np.diff(quantity.table[0])).max(initial=0.0)
    return float(finest * steepest)
