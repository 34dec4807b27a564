"""Simulator: frames that wait for each other and then come in bunches."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

BUNCHED_NS = 1_000_000  # from one frame of a bunch to the next


class Bunches(NamedTuple):
    """From `start_ns` to `stop_ns`, frames wait for the end of each stretch of `every_ns`.

    None overtakes another: those after the last bunch wait until it is over.
    """

    start_ns: int
    every_ns: int
    stop_ns: int

    def released(self, times: NDArray[np.int64], period_ns: int) -> NDArray[np.int64]:
        """Return when frames come that are due at `times`, int64[n], not before `start_ns`.

        Args:
            times: When they are due.
            period_ns: Of their message.
        """
        start_ns, every_ns, stop_ns = self
        since_ns = (times - start_ns) % every_ns
        ends_ns = np.minimum(times - since_ns + every_ns, stop_ns)
        bunched: NDArray[np.int64] = ends_ns + since_ns * BUNCHED_NS // period_ns
        over_ns = stop_ns + (every_ns + times - stop_ns) * BUNCHED_NS // period_ns
        return np.where(times < stop_ns, bunched, np.maximum(times, over_ns))
