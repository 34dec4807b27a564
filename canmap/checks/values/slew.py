"""Values that change faster than the manual says they can.

Judged is the change from one valid value to the next, and to the tenth after it, over the time between their
frames. Nobody knows when within its period a sender took a value, so a period more is allowed, and a step of
one count of the signal. Where a recorder stamps frames too close together, they are taken to be as many
periods apart as they are frames. Over a step of the recorder's clock nothing is judged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.record_values import RecordValueCheck, judged_fields, often
from canmap.findings.finding import Finding, Kind, Severity
from canmap.frames.session import HELD_BACK_NS
from canmap.signals.plan import ColumnKind
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.record_values import JudgedField
    from canmap.findings.episodes import Episode
    from canmap.records.columns import RecordChunk
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

SLEW = Kind("slew", Severity.ERROR)


_FAR = 10  # over so many values a rate is judged too: one that is steady, and hides in a single period


@dataclass(frozen=True, slots=True)
class _Values:
    """The newest valid values of a field, `_FAR` at most.

    Attributes:
        clock_ns: int64[n], session clock of their frames.
        stamp_ns: int64[n], their stamps.
        value: float64[n].
        fast: bool[n], which changed too fast from the one before.
    """

    clock_ns: NDArray[np.int64]
    stamp_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    fast: NDArray[np.bool_]

    def with_more(
        self, clock_ns: NDArray[np.int64], stamp_ns: NDArray[np.int64], value: NDArray[np.float64]
    ) -> _Values:
        """Return them with those that follow, which are not judged yet."""
        return _Values(
            np.concatenate([self.clock_ns, clock_ns]),
            np.concatenate([self.stamp_ns, stamp_ns]),
            np.concatenate([self.value, value]),
            np.concatenate([self.fast, np.zeros(len(value), np.bool_)]),
        )

    def newest(self) -> _Values:
        """Return those that may still be needed."""
        return _Values(self.clock_ns[-_FAR:], self.stamp_ns[-_FAR:], self.value[-_FAR:], self.fast[-_FAR:])


NO_VALUES = _Values(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.bool_))


class SlewCheck(RecordValueCheck):
    """Judges how fast every field changes that has a limit for it."""

    kinds = (SLEW,)

    def __init__(self, setting: Setting) -> None:
        super().__init__([field for field in judged_fields(setting) if field.rule.slew is not None])
        self._limit = [float(field.rule.slew or 0) for field in self._fields]
        self._step = [_one_count(field, setting) for field in self._fields]
        periods = {(rule.bus, rule.message.name): rule.period_ns or 0 for rule in setting.spec.messages}
        sources = [field.rule.sources[0] for field in self._fields]
        self._period_ns = [periods[source.bus, source.message] for source in sources]
        self._newest = [NO_VALUES for _ in self._fields]

    def _judge(
        self, subject: int, chunk: RecordChunk, _view: View
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        column = chunk.columns[self._fields[subject].rule.type.name]
        earlier = self._newest[subject]
        sampled_ns = chunk.clock_ns - column.age_ns
        rows = np.flatnonzero(column.valid)
        # What is only held, of a message that is slower than the record, is no new value.
        before_ns = earlier.clock_ns[-1] if len(earlier.clock_ns) else sampled_ns[rows[:1]] - 1
        rows = rows[(column.age_ns[rows] == 0) | (np.diff(sampled_ns[rows], prepend=before_ns) > 0)]
        stamp_ns = chunk.stamp_ns[rows] - column.age_ns[rows]
        values = earlier.with_more(sampled_ns[rows], stamp_ns, column.values[rows].astype(np.float64))
        rate, fast = self._rates(subject, values, 1)
        values.fast[:] |= fast
        steps = np.cumsum(values.fast)
        far_rate, far = self._rates(subject, values, _FAR)
        far[_FAR:] &= steps[_FAR:] == steps[:-_FAR]  # else the single change has been told
        self._newest[subject] = values.newest()
        told = np.zeros(len(chunk))
        faulty, good = np.zeros(len(chunk), np.bool_), np.zeros(len(chunk), np.bool_)
        new = slice(len(earlier.value), None)
        told[rows] = np.where(fast, rate, far_rate)[new]
        faulty[rows] = (fast | far)[new]
        good[rows] = ~(fast | far)[new]
        return told, faulty, good

    def _rates(
        self, subject: int, values: _Values, apart: int
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Return how fast each changed since the one so many before it, and whether that is too fast."""
        rate, fast = np.zeros(len(values.value)), np.zeros(len(values.value), np.bool_)
        if len(values.value) <= apart:
            return rate, fast
        period_ns = self._period_ns[subject]
        passed_ns, stamped_ns = (
            column[apart:] - column[:-apart] for column in (values.clock_ns, values.stamp_ns)
        )
        known = np.abs(stamped_ns - passed_ns) <= HELD_BACK_NS
        passed_ns = np.maximum(passed_ns, apart * period_ns)
        change = np.abs(values.value[apart:] - values.value[:-apart])
        allowed = self._limit[subject] * ((passed_ns + period_ns) / 1e9) + self._step[subject]
        rate[apart:] = change / (np.maximum(passed_ns, 1) / 1e9)
        fast[apart:] = known & (passed_ns > 0) & (change > allowed)
        return rate, fast

    def _describe(self, episode: Episode) -> Finding:
        field, limit = self._fields[episode.subject], self._limit[episode.subject]
        said = field.said
        shown, bound, unit = episode.worst / said.factor, limit / said.factor, f"{said.unit or '1'}/s"

        def text(figures: Figures) -> str:
            return (
                f"{said.name} changed by up to {figures.rate(shown, said.unit)}{often(episode)}; "
                f"its limit is {figures.rate(bound, said.unit)}."
            )

        found = episode.finding(SLEW, field.place, text, value=episode.worst, limit=limit)
        return replace(found, facts={said.name: shown, "limit": bound, "unit": unit})


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
