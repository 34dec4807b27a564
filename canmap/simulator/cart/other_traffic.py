"""Simulator: what else is sent on the first bus: identifiers of other nodes that no description speaks of.

Most are cyclic; some are events, and some are sent for stretches of time only, so that on such a bus a
stranger that shows up near a fault proves little.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.simulator.cart.nodes import BOOT_ID, CLOCK_SPREAD, JITTER_NS, MS, Releases, batch, ordered
from canmap.simulator.noise import even, even_ns

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

OTHER_NODES = 6
PERIODS_MS = (1000, 500, 200, 100, 50, 20, 10)
SLOWEST = 4  # so many of these are drawn from before the load is made up
FRAME_BITS = 123  # of 8 bytes on the wire, with the intermission and what stuffing usually adds
EVENT_EVERY, STRETCH_EVERY = 8, 12  # one identifier in so many is an event, or is sent in stretches
EVENT_SLOT_NS, STRETCH_NS = 3000 * MS, 2500 * MS
ONE = np.zeros(1, np.int64)


class OtherLoad(NamedTuple):
    """How many identifiers, and the share of the bus that they take (0 to 1)."""

    identifiers: int
    load: float


class OtherTraffic:
    """The other nodes at work.

    Args:
        how: How much.
        seed: Of identifiers, periods, phases, clocks and payloads.
        taken: Identifiers that are described.
        bit_rate: Of the bus, bit/s.
        first_node: Index of the first of the `OTHER_NODES` on it.
    """

    def __init__(
        self, how: OtherLoad, seed: int, taken: Collection[int], bit_rate: int, first_node: int
    ) -> None:
        self._seed = seed
        free = np.array(sorted(set(range(1, BOOT_ID)).difference(taken)))
        drawn = free[np.argsort(even(seed, "other identifiers", free), kind="stable")]
        self.identifiers: list[int] = drawn[: how.identifiers].tolist()
        self._periods_ns = self._periods(how.load * bit_rate / FRAME_BITS)
        self._nodes = [first_node + place % OTHER_NODES for place in range(len(self.identifiers))]
        self._ticks = [0] * len(self.identifiers)
        self._timers = [self._timer(place) for place in range(len(self.identifiers))]

    def _periods(self, frames_per_s: float) -> list[int]:
        """Return an interval for each identifier, ns: slow at first, then faster until the load is there."""
        numbers = np.arange(len(self.identifiers))
        steps = (even(self._seed, "other periods", numbers) * SLOWEST).astype(int).tolist()
        cyclic = [place for place in numbers.tolist() if not self._is_event(place)]
        turn = 0
        while self._rate(steps, cyclic) < frames_per_s and min(steps[place] for place in cyclic) < 6:
            place = cyclic[turn % len(cyclic)]
            steps[place] = min(steps[place] + 1, len(PERIODS_MS) - 1)
            turn += 1
        return [PERIODS_MS[step] * MS for step in steps]

    def _rate(self, steps: list[int], cyclic: list[int]) -> float:
        rates = [1000 / PERIODS_MS[steps[place]] for place in cyclic]
        shares = [0.5 if self._in_stretches(place) else 1.0 for place in cyclic]
        return sum(rate * share for rate, share in zip(rates, shares, strict=True))

    def _is_event(self, place: int) -> bool:
        return place % EVENT_EVERY == EVENT_EVERY - 1

    def _in_stretches(self, place: int) -> bool:
        return place % STRETCH_EVERY == STRETCH_EVERY // 2

    def take(self, until_ns: int) -> Releases:
        """Return what is handed over before `until_ns` and was not returned yet."""
        return ordered([self._sent(place, until_ns) for place in range(len(self.identifiers))])

    def _sent(self, place: int, until_ns: int) -> Releases:
        can_id = self.identifiers[place]
        times, numbers = self._due(place, until_ns)
        self._ticks[place] += len(times)
        kept = self._kept(place, times)
        return batch(times[kept], self._nodes[place], can_id, self._payload(can_id, numbers[kept]))

    def _timer(self, place: int) -> tuple[float, int]:
        """Return the period of a timer by the clock of its node, and when it first runs out, ns."""
        seed, node = self._seed, self._nodes[place]
        period_ns = EVENT_SLOT_NS if self._is_event(place) else self._periods_ns[place]
        clock = 1.0 + CLOCK_SPREAD * (2.0 * float(even(seed, f"clock of other node {node}", ONE)[0]) - 1.0)
        phase_ns = int(even_ns(seed, "other phase", np.array([place]), period_ns - 1)[0])
        return period_ns * clock, phase_ns

    def _due(self, place: int, until_ns: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return when its timer runs out next, before a time, and how often it did."""
        period_ns, phase_ns = self._timers[place]
        spread_ns = EVENT_SLOT_NS - 1 if self._is_event(place) else JITTER_NS
        most = max(0, int((until_ns - phase_ns) / period_ns) + 1 - self._ticks[place])
        numbers = self._ticks[place] + np.arange(most)
        late_ns = even_ns(self._seed, f"other timer {place}", numbers, spread_ns)
        times: NDArray[np.int64] = phase_ns + np.rint(numbers * period_ns).astype(np.int64) + late_ns
        due = times < until_ns
        return times[due], numbers[due]

    def _kept(self, place: int, times: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which of its frames are sent at all."""
        if not self._in_stretches(place):
            return np.ones(len(times), np.bool_)
        return even(self._seed, f"stretch {place}", times // STRETCH_NS) < 0.5

    def _payload(self, can_id: int, numbers: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return payloads, uint8[n, 8]: a counter, what moves slowly, constants, noise."""
        payload = np.zeros((len(numbers), 8), np.uint8)
        payload[:, 0] = numbers % 256
        moving = (2000 + 1500 * np.sin(numbers / (20 + can_id % 50))).astype(np.uint16)
        payload[:, 1], payload[:, 2] = moving // 256, moving % 256
        payload[:, 3], payload[:, 4] = can_id % 251, can_id % 13
        payload[:, 7] = (256 * even(self._seed, f"other payload {can_id}", numbers)).astype(np.uint8)
        return payload
