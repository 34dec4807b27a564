"""Simulator: releases to transmissions, one bus, as a discrete-event simulation.

In: releases in any order within a call, and disturbances. Out: transmissions in the order in which they end.
Same input and seed, same output, however the run is cut into calls of `advance`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.simulator.network import BusConfig, Disturbance, Release, StateChange, Transmission


class Bus:
    """One bus, step by step: for a kit that reacts to what it receives.

    Example: submit what nodes release before `t`, `advance(t)`, hand what was sent to the nodes.

    Args:
        config: The bus.
        disturbances: What goes wrong and when.
        seed: Of everything random.
    """

    def __init__(self, config: BusConfig, disturbances: Iterable[Disturbance] = (), seed: int = 0) -> None:
        raise NotImplementedError

    def submit(self, releases: Iterable[Release]) -> None:
        """Add releases, in any order, none earlier than the last `advance`."""
        raise NotImplementedError

    def advance(self, until_ns: int) -> list[Transmission]:
        """Return what ended before `until_ns` and was not returned yet, ordered by `t_ns`."""
        raise NotImplementedError

    def finish(self) -> list[Transmission]:
        """Return what is still waiting, as UNSENT."""
        raise NotImplementedError

    @property
    def changes(self) -> list[StateChange]:
        """Every change of a node's fault confinement state so far, in order."""
        raise NotImplementedError


def simulate_bus(
    config: BusConfig,
    releases: Iterable[Release],
    disturbances: Iterable[Disturbance] = (),
    seed: int = 0,
) -> Iterator[Transmission]:
    """Yield what became of `releases` (ordered by `t_ns`, any number: they are read as they are needed)."""
    raise NotImplementedError
