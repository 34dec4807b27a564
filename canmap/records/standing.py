"""The newest record of a kind, as it stands at later moments: older by then, and dead once it is too old."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.records.columns import FieldColumn, RecordChunk, joined_columns
from canmap.records.motion import derived_ages

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.mapping.model import RecordRule, Spec


class StandingRecord:
    """Carries the newest record of a kind from step to step.

    Args:
        spec: What the vehicle should say.
        rule: How the records are made.
    """

    def __init__(self, spec: Spec, rule: RecordRule) -> None:
        silences = {(one.bus, one.message.name): one.stale_after_ns for one in spec.messages}
        self._stale_after_ns = silences.get((rule.bus, rule.stamp))
        ages = {field.type.name: field.max_age_ns for field in rule.fields}
        self._max_age_ns = derived_ages(ages) if rule.derived else ages
        self._newest: RecordChunk | None = None  # one record
        self._now: RecordChunk | None = None  # that, and those of the step

    def begin(self, chunk: RecordChunk | None) -> None:
        """Take the records of a step, None for none; of those before it the newest is kept."""
        if chunk is None:
            self._now = self._newest
            return
        self._now = chunk if self._newest is None else _joined(self._newest, chunk)
        self._newest = rows_of(self._now, np.array([len(self._now) - 1]))

    def at_frames(self, frame: NDArray[np.int64], clock_ns: NDArray[np.int64]) -> RecordChunk | None:
        """Return it as it stands at frames of the step, [n]; the one that a frame stamps stands at it.

        None: none had come by any of them. Where none had come, `frame` is -1, and no value valid.
        """
        now = self._now
        return now and self._at(now, np.searchsorted(now.frame, frame, side="right") - 1, clock_ns)

    def before(self, clock_ns: NDArray[np.int64]) -> RecordChunk | None:
        """Return it as it stands just before moments of the session clock, [n]; see `at_frames`."""
        now = self._now
        return now and self._at(now, np.searchsorted(now.clock_ns, clock_ns) - 1, clock_ns)

    def _at(
        self, now: RecordChunk, place: NDArray[np.intp], clock_ns: NDArray[np.int64]
    ) -> RecordChunk | None:
        came = place >= 0
        if not came.any():
            return None
        held = rows_of(now, np.maximum(place, 0))
        passed_ns = np.where(came, clock_ns - held.clock_ns, 0)
        alive = came if self._stale_after_ns is None else came & (passed_ns <= self._stale_after_ns)
        columns = {
            name: self._aged(column, passed_ns, came, alive, self._max_age_ns.get(name))
            for name, column in held.columns.items()
        }
        frame = np.where(came, held.frame, -1)
        return replace(
            held, clock_ns=clock_ns, stamp_ns=held.stamp_ns + passed_ns, frame=frame, columns=columns
        )

    @staticmethod
    def _aged(
        column: FieldColumn,
        passed_ns: NDArray[np.int64],
        came: NDArray[np.bool_],
        alive: NDArray[np.bool_],
        max_age_ns: int | None,
    ) -> FieldColumn:
        age_ns = np.where(came & (column.age_ns >= 0), column.age_ns + passed_ns, -1)
        valid = column.valid & alive
        if max_age_ns is not None:
            valid &= age_ns <= max_age_ns
        return FieldColumn(column.values, valid, age_ns, column.flagged & valid)


def rows_of(chunk: RecordChunk, rows: NDArray[np.intp]) -> RecordChunk:
    """Return some records of a chunk."""
    columns: Mapping[str, FieldColumn] = {
        name: FieldColumn(column.values[rows], column.valid[rows], column.age_ns[rows], column.flagged[rows])
        for name, column in chunk.columns.items()
    }
    return replace(
        chunk,
        clock_ns=chunk.clock_ns[rows],
        stamp_ns=chunk.stamp_ns[rows],
        frame=chunk.frame[rows],
        columns=columns,
    )


def _joined(first: RecordChunk, second: RecordChunk) -> RecordChunk:
    return replace(
        first,
        clock_ns=np.concatenate([first.clock_ns, second.clock_ns]),
        stamp_ns=np.concatenate([first.stamp_ns, second.stamp_ns]),
        frame=np.concatenate([first.frame, second.frame]),
        columns={
            name: joined_columns([column, second.columns[name]]) for name, column in first.columns.items()
        },
    )
