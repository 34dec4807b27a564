"""Some slots whose frames are worked on together, as many small pieces of work cost more than a large one."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

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

    def frames(
        self, samples: Samples, starts: Sequence[int]
    ) -> tuple[tuple[int, ...], list[int], NDArray[np.intp]]:
        """Return the slots that came, the bounds of the frames of each, and the frames, intp[n].

        Args:
            samples: Of a chunk.
            starts: Its `slot_start`, as numbers.
        """
        slots, bounds = [], [0]
        for slot in self.slots:
            if count := starts[slot + 1] - starts[slot]:
                slots.append(slot)
                bounds.append(bounds[-1] + count)
        pieces = [samples.rows[starts[first] : starts[stop]] for first, stop in self.runs]
        return tuple(slots), bounds, pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
