"""Simulator: when a loose plug is open: for 1 to 200 ms at a time, once in each stretch of some length.

The lengths are spread evenly by their logarithm: most are short.
"""

from __future__ import annotations

import math

from canmap.simulator.noise import even_one

SHORTEST_BURST_NS, LONGEST_BURST_NS = 1_000_000, 200_000_000
USUAL_BURST_EVERY_NS = 500_000_000


class Bursts:
    """The times at which a plug is open.

    Args:
        seed: Of the run.
        name: Of the plug; another one is open at other times.
        start_ns: The first stretch begins here.
        every_ns: Length of a stretch.
    """

    def __init__(self, seed: int, name: str, start_ns: int, every_ns: int) -> None:
        self._seed, self._name = seed, name
        self._start_ns, self._every_ns = start_ns, every_ns
        self._newest = -1, (0, 0)  # the stretch that was asked for last, and when the plug is open in it

    def open_at(self, t_ns: int) -> bool:
        """Return whether the plug is open at a time."""
        stretch = (t_ns - self._start_ns) // self._every_ns
        if stretch != self._newest[0]:
            self._newest = stretch, self.opening(stretch)
        begin_ns, end_ns = self._newest[1]
        return begin_ns <= t_ns < end_ns

    def opening(self, stretch: int) -> tuple[int, int]:
        """Return from when to when the plug is open in one stretch, half open."""
        seed, every_ns = self._seed, self._every_ns
        ratio = math.log(LONGEST_BURST_NS / SHORTEST_BURST_NS)
        grown = math.exp(ratio * even_one(seed, f"{self._name} length", stretch))
        length_ns = min(round(SHORTEST_BURST_NS * grown), every_ns)
        late_ns = round((every_ns - length_ns) * even_one(seed, f"{self._name} begin", stretch))
        begin_ns = self._start_ns + stretch * every_ns + late_ns
        return begin_ns, begin_ns + length_ns
