"""Simulator: when a loose plug is open: for 1 to 200 ms at a time, once in each stretch of some length.

The lengths are spread evenly by their logarithm: most are short.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from canmap.simulator.noise import even_one

SHORTEST_BURST_NS, LONGEST_BURST_NS = 1_000_000, 200_000_000
USUAL_BURST_EVERY_NS = 500_000_000


class Bursts(NamedTuple):
    """The times at which a plug is open.

    Attributes:
        seed: Of the run.
        name: Of the plug; another one is open at other times.
        start_ns: The first stretch begins here.
        every_ns: Length of a stretch.
    """

    seed: int
    name: str
    start_ns: int
    every_ns: int

    def open_at(self, t_ns: int) -> bool:
        """Return whether the plug is open at a time."""
        begin_ns, end_ns = self.opening((t_ns - self.start_ns) // self.every_ns)
        return begin_ns <= t_ns < end_ns

    def opening(self, stretch: int) -> tuple[int, int]:
        """Return from when to when the plug is open in one stretch, half open."""
        begin_ns, length_ns = _opening(self.seed, self.name, self.every_ns, stretch)
        begin_ns += self.start_ns + stretch * self.every_ns
        return begin_ns, begin_ns + length_ns


@lru_cache(maxsize=512)
def _opening(seed: int, name: str, every_ns: int, stretch: int) -> tuple[int, int]:
    """Return how long after the begin of a stretch the plug opens, and for how long, ns."""
    ratio = math.log(LONGEST_BURST_NS / SHORTEST_BURST_NS)
    grown = math.exp(ratio * even_one(seed, f"{name} length", stretch))
    length_ns = min(round(SHORTEST_BURST_NS * grown), every_ns)
    return round((every_ns - length_ns) * even_one(seed, f"{name} begin", stretch)), length_ns
