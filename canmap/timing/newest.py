"""Sample and hold: the newest sample of every column that a record needs, carried from chunk to chunk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.signals.prepared import Prepared

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

    Attributes:
        raw: int64[columns], newest raw value of each before the chunk.
        clock_ns: int64[columns], session clock of it, NEVER_NS where none has come.
        valid: bool[columns], it has come and its payload held it.
    """

    def __init__(self, columns: Iterable[int], count: int) -> None:
        self._needed = np.array(sorted(set(columns)), np.intp)
        self.raw = np.zeros(count, np.int64)
        self.clock_ns = np.full(count, NEVER_NS)
        self.valid = np.zeros(count, np.bool_)

    def at_records(
        self,
        prepared: Prepared,
        clock: NDArray[np.int64],
        stamped: NDArray[np.int64],
        pair: tuple[int, int],
        column: int,
    ) -> Held:
        """Return the newest sample of a column at each record of a chunk.

        Args:
            prepared: The chunk.
            clock: int64[frames], session clock of every frame.
            stamped: int64[n], that of the frames that stamp the records.
            pair: Slot of those frames, and group of the column.
            column: The column.
        """
        samples = prepared.samples
        bounds = slice(int(samples.column_start[column]), int(samples.column_start[column + 1]))
        raw = samples.raw[bounds]
        valid = None if samples.valid is None else samples.valid[bounds]
        join = prepared.joins.get(pair)
        if join is None:
            return Held(raw, stamped, valid, own=True)
        before = int(join.searchsorted(0))  # so many records come before the first sample of the chunk
        taken = join[before:]
        sampled = clock[samples.positions(column)[taken]]
        raw, valid = raw[taken], None if valid is None else valid[taken]
        if before:
            raw = np.concatenate((np.full(before, self.raw[column]), raw))
            sampled = np.concatenate((np.full(before, self.clock_ns[column]), sampled))
            if valid is not None or not self.valid[column]:
                later = np.ones(len(taken), np.bool_) if valid is None else valid
                valid = np.concatenate((np.full(before, self.valid[column]), later))
        return Held(raw, sampled, valid, own=False)

    def carry(self, prepared: Prepared, clock: NDArray[np.int64]) -> None:
        """Keep the newest sample of every needed column of a chunk; once, when all have asked."""
        samples = prepared.samples
        starts = samples.column_start
        came = self._needed[starts[self._needed] < starts[self._needed + 1]]
        last = starts[came + 1] - 1
        self.raw[came] = samples.raw[last]
        self.valid[came] = True if samples.valid is None else samples.valid[last]
        group = samples.plan.column_group[came]
        frames = samples.frames[samples.group_start[group] + samples.group_count[group] - 1]
        self.clock_ns[came] = clock[frames]
