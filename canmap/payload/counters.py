"""Rolling counters: what a frame carries by its number, and how many frames lie between two counters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class RollingCounter:
    """A counter that goes round: `first`, `first + step`, ..., `values` of them, then `first` again.

    Attributes:
        values: How many different values it takes.
        first: The smallest.
        step: From one value to the next.
    """

    values: int
    first: int = 0
    step: int = 1

    def of_frames(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what frames with these numbers carry, int64[n]; the frame of number 0 carries `first`."""
        return self.first + numbers % self.values * self.step

    def places(self, counters: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return which value of the round each of int64[n] counters is, -1 for one that is never sent."""
        place, rest = np.divmod(counters - self.first, self.step)
        return np.where((rest == 0) & (place >= 0) & (place < self.values), place, -1)

    def steps(self, before: NDArray[np.int64], after: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return how many frames further `after` is than `before`, int64[n].

        0 is the same counter again, 1 the next; a whole round looks like none. Both are of the round.
        """
        return (self.places(after) - self.places(before)) % self.values


PROFILE1_COUNTER = RollingCounter(values=15)  # 0 to 14; 15 is never sent [AUTOSAR E2E protocol, profile 1]
