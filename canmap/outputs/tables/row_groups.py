"""Records of one kind in groups of a fixed number, however many of them come at once."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.records.columns import FieldColumn

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.records.columns import RecordChunk

MOST_ROWS, FEWEST_ROWS = 1 << 16, 1 << 10
MOST_CELLS = 1 << 23  # that may wait in all tables together, about 20 bytes each


def rows_of_a_group(fields: int) -> int:
    """Return how many records make a group where the tables together have so many fields."""
    return min(MOST_ROWS, max(FEWEST_ROWS, MOST_CELLS // max(fields, 1)))


class RowGroups:
    """Collects records, and hands them on in groups.

    They are copied, as what a chunk brings may be a small part of a large array.

    Args:
        rows: How many make a group.
        first: Some of them, which tell the columns.
    """

    def __init__(self, rows: int, first: RecordChunk) -> None:
        def room(dtype: np.dtype[np.generic]) -> NDArray[Any]:
            return np.empty(rows, dtype)

        self._rows = rows
        self._filled = 0
        self._group = replace(
            first,
            clock_ns=room(first.clock_ns.dtype),
            stamp_ns=room(first.stamp_ns.dtype),
            frame=room(first.frame.dtype),
            columns={
                name: FieldColumn(*(room(part.dtype) for part in _parts(column)))
                for name, column in first.columns.items()
            },
        )

    def add(self, chunk: RecordChunk) -> Iterator[RecordChunk]:
        """Take in records, and yield each group that is full; it holds until the next is asked for."""
        taken = 0
        while taken < len(chunk):
            count = min(self._rows - self._filled, len(chunk) - taken)
            to, source = slice(self._filled, self._filled + count), slice(taken, taken + count)
            for room, part in zip(_arrays(self._group), _arrays(chunk), strict=True):
                room[to] = part[source]
            self._filled += count
            taken += count
            if self._filled == self._rows:
                self._filled = 0
                yield self._group

    def rest(self) -> RecordChunk | None:
        """Return the last group, which may be smaller; None where nothing is left."""
        count, self._filled = self._filled, 0
        if not count:
            return None
        group = self._group
        return replace(
            group,
            clock_ns=group.clock_ns[:count],
            stamp_ns=group.stamp_ns[:count],
            frame=group.frame[:count],
            columns={
                name: FieldColumn(*(part[:count] for part in _parts(column)))
                for name, column in group.columns.items()
            },
        )


def _parts(column: FieldColumn) -> tuple[NDArray[Any], ...]:
    return column.values, column.valid, column.age_ns, column.flagged


def _arrays(chunk: RecordChunk) -> Iterator[NDArray[Any]]:
    yield from (chunk.clock_ns, chunk.stamp_ns, chunk.frame)
    for column in chunk.columns.values():
        yield from _parts(column)
