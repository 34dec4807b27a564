"""How often keys occur in a chunk: identifiers, addresses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

NEAR = 4096  # keys that are looked at first


@dataclass(frozen=True, slots=True)
class Tally:
    """How often each of some keys occurs in a chunk, and where first and last.

    Attributes:
        keys: int64[k], ascending.
        counts: int64[k], frames of each.
        first: intp[k], index in the chunk of the first of each.
        last: intp[k], index of the last.
    """

    keys: NDArray[np.int64]
    counts: NDArray[np.int64]
    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def rows(self, clock: NDArray[np.int64]) -> Iterator[tuple[int, int, int, int]]:
        """Yield (key, frames, clock of the first, clock of the last), in the order in which keys came."""
        order = np.argsort(self.first)
        columns = (self.keys, self.counts, clock[self.first], clock[self.last])
        return zip(*(column[order].tolist() for column in columns), strict=True)


def tally(keys: NDArray[np.int64], frames: NDArray[np.intp]) -> Tally:
    """Count the keys, int64[n], of the frames, intp[n]."""
    unique, first, counts = np.unique(keys, return_index=True, return_counts=True)
    last = len(keys) - 1 - np.unique(keys[::-1], return_index=True)[1]
    return Tally(unique, counts, frames[first], frames[last])


def tally_small(keys: NDArray[np.intp], frames: NDArray[np.intp]) -> Tally:
    """Count keys that are small, without sorting."""
    counts = np.bincount(keys)
    present = counts.nonzero()[0]
    first, last = len(keys) - 1 - _last_places(keys[::-1], present), _last_places(keys, present)
    return Tally(present.astype(np.int64), counts[present], frames[first], frames[last])


def _last_places(keys: NDArray[np.intp], present: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return intp[k]: where each of the keys that are `present` comes last, which mostly is near the end."""
    place = np.full(present[-1] + 1, -1, np.intp)
    for some in (NEAR, len(keys)):
        end = keys[-some:]
        place[end] = np.arange(len(keys) - len(end), len(keys))  # of repeated indices the last stays
        last = place[present]
        if last.min() >= 0:
            break
    return last
