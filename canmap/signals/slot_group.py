"""Some slots whose frames are worked on together, as many small pieces of work cost more than a large one."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.signals.extract import Samples


class SlotGroup(NamedTuple):
    """Some slots.

    Attributes:
        slots: Their numbers, ascending.
        runs: Those that follow each other, as the first and the one after the last.
    """

    slots: tuple[int, ...]
    runs: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, slots: Iterable[int]) -> Self:
        """Return the group of some slots."""
        ascending = sorted(slots)
        runs: list[tuple[int, int]] = []
        for slot in ascending:
            if runs and runs[-1][1] == slot:
                runs[-1] = runs[-1][0], slot + 1
            else:
                runs.append((slot, slot + 1))
        return cls(tuple(ascending), tuple(runs))

    def frames(self, samples: Samples) -> tuple[tuple[int, ...], NDArray[np.intp], NDArray[np.intp]]:
        """Return the slots that came, the bounds of each, intp[slots + 1], and the frames of all, intp[n]."""
        starts = samples.slot_start
        pieces = [samples.rows[starts[first] : starts[stop]] for first, stop in self.runs]
        rows = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        slots = np.array(self.slots, np.intp)
        counts = starts[slots + 1] - starts[slots]
        came = counts.nonzero()[0]
        bounds = np.zeros(len(came) + 1, np.intp)
        counts[came].cumsum(out=bounds[1:])
        return tuple(slots[came].tolist()), bounds, rows
