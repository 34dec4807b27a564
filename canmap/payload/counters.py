"""Rolling counters: what a frame carries by its number, and how many frames lie between two counters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class RollingCounter:
    """A counter that goes round: `first`, `first + step`, ..., `values` of them, then `first` again.

    Attributes:
        values: How many different values it takes.
        first: The smallest.
        step: From one value to the next.
        left_out: Values between the first and the last that it jumps over, ascending.
    """

    values: int
    first: int = 0
    step: int = 1
    left_out: tuple[int, ...] = ()

    @classmethod
    def between(cls, first: int, last: int, step: int = 1, reserved: tuple[int, ...] = ()) -> RollingCounter:
        """Return the one that takes `first`, `first + step`, ... up to `last`, without those reserved."""
        of_round = range(first, last + 1, step)
        left_out = tuple(sorted({value for value in reserved if value in of_round}))
        return cls(len(of_round) - len(left_out), first, step, left_out)

    @property
    def last(self) -> int:
        """The largest value that it takes."""
        return int(self.of_frames(np.array([self.values - 1]))[0])

    def of_frames(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what frames with these numbers carry, int64[n]; the frame of number 0 carries `first`."""
        place = numbers % self.values
        if self.left_out:
            jumps = (np.array(self.left_out) - self.first) // self.step - np.arange(len(self.left_out))
            place = place + jumps.searchsorted(place, side="right")
        return self.first + place * self.step

    def places(self, counters: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return which value of the round each of int64[n] counters is, -1 for one that is never sent."""
        place, rest = np.divmod(counters - self.first, self.step)
        known = rest == 0
        if self.left_out:
            left_out = np.array(self.left_out)
            known &= ~np.isin(counters, left_out)
            place -= left_out.searchsorted(counters)
        return np.where(known & (place >= 0) & (place < self.values), place, -1)

    def steps(self, before: NDArray[np.int64], after: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return how many frames further `after` is than `before`, int64[n].

        0 is the same counter again, 1 the next; a whole round looks like none. Both are of the round.
        """
        return (self.places(after) - self.places(before)) % self.values


PROFILE1_COUNTER = RollingCounter(values=15)  # 0 to 14; 15 is never sent [AUTOSAR E2E protocol, profile 1]
