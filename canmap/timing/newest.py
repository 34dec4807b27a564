"""Sample and hold: the newest sample of every column that a record needs, carried from chunk to chunk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.stream.view import View

NEVER_NS = np.iinfo(np.int64).min  # clock of a sample that has not come


@dataclass(frozen=True, slots=True)
class Held:
    """The newest sample of one column at each record.

    Attributes:
        raw: int64[n], raw values.
        clock_ns: int64[n], session clock of the sample, NEVER_NS where none has come.
        valid: bool[n], it has come and its payload held it; None where that holds for all.
        own: The record's own frames carry it, so it has no age.
    """

    raw: NDArray[np.int64]
    clock_ns: NDArray[np.int64]
    valid: NDArray[np.bool_] | None
    own: bool


class Holder:
    """Holds the newest sample of each needed column.

    Args:
        columns: The columns that records or conditions need.
        count: Columns of the plan.
    """

    def __init__(self, columns: Iterable[int], count: int) -> None:
        self._needed = sorted(set(columns))
        self._raw = np.zeros(count, np.int64)
        self._clock_ns = np.full(count, NEVER_NS)
        self._valid = np.zeros(count, np.bool_)

    def at_records(self, view: View, clock: NDArray[np.int64], slot: int, column: int, group: int) -> Held:
        """Return the newest sample of `column`, of `group`, at each frame of `slot` in the chunk.

        `clock` is the session clock at these frames.
        """
        samples = view.prepared.samples
        bounds = slice(int(samples.column_start[column]), int(samples.column_start[column + 1]))
        raw = samples.raw[bounds]
        valid = None if samples.valid is None else samples.valid[bounds]
        join = view.prepared.joins.get((slot, group))
        if join is None:
            return Held(raw, clock, valid, own=True)
        before = int(join.searchsorted(0))  # so many records come before the first sample of the chunk
        taken = join[before:]
        sampled = view.clock[samples.positions(column)[taken]]
        raw, valid = raw[taken], None if valid is None else valid[taken]
        if before:
            raw = np.concatenate((np.full(before, self._raw[column]), raw))
            sampled = np.concatenate((np.full(before, self._clock_ns[column]), sampled))
            if valid is not None or not self._valid[column]:
                later = np.ones(len(taken), np.bool_) if valid is None else valid
                valid = np.concatenate((np.full(before, self._valid[column]), later))
        return Held(raw, sampled, valid, own=False)

    def carry(self, view: View) -> None:
        """Keep the newest sample of every needed column of the chunk."""
        samples = view.prepared.samples
        starts = samples.column_start
        for column in self._needed:
            if starts[column] == starts[column + 1]:
                continue
            last = starts[column + 1] - 1
            self._raw[column] = samples.raw[last]
            self._valid[column] = samples.valid is None or samples.valid[last]
            self._clock_ns[column] = view.clock[samples.positions(column)[-1]]
