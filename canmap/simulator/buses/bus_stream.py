"""Simulator: any number of releases, in order of time, to transmissions as they are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.buses.arbitration import LAST_WAIT_NS
from canmap.simulator.buses.held_bus import HeldBus

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.simulator.buses.network import BusConfig, Disturbance, Release, Transmission

LOOK_AHEAD_NS = 100_000_000  # releases that are taken in at a time


def simulate_bus(
    config: BusConfig,
    releases: Iterable[Release],
    disturbances: Iterable[Disturbance] = (),
    seed: int = 0,
    until_ns: int | None = None,
) -> Iterator[Transmission]:
    """Yield what became of `releases`, in the order in which it ended.

    Args:
        config: The bus.
        releases: Ordered by `t_ns`; read as they are needed, so there may be any number.
        disturbances: What goes wrong and when.
        seed: Of everything random.
        until_ns: When the simulation ends, later releases are left out; None: 1 s after the last release.

    Raises:
        UsageError: A release is out of order, or names a node that the bus has not.
    """
    bus = HeldBus(config, disturbances, seed)
    block: list[Release] = []
    edge_ns = last_ns = 0
    for release in releases:
        if until_ns is not None and release.t_ns >= until_ns:
            break
        if release.t_ns >= edge_ns:
            bus.submit(block)
            yield from bus.advance(edge_ns)
            block, edge_ns = [], release.t_ns + LOOK_AHEAD_NS
        block.append(release)
        last_ns = release.t_ns
    bus.submit(block)
    yield from bus.advance(last_ns + LAST_WAIT_NS if until_ns is None else until_ns)
    yield from bus.finish()
