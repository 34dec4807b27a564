"""Simulator: which nodes get what is sent on a bus.

A node that is bus-off or without supply has no part in the bus: it sends nothing and receives nothing (ISO
11898-1, from memory). Nor does one receive that a fault of the wiring makes deaf.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.buses.network import NodeState, WireFault

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.buses.arbitration import BusRun
    from canmap.simulator.buses.network import Disturbance

BUS_OFF = NodeState.BUS_OFF  # a name of a module is found ten times as fast as a member of an enumeration


class Hearing:
    """Who hears what on one bus; asked in order of time, after the bus has been run that far.

    Args:
        bus: The bus.
        disturbances: What goes wrong on it.
    """

    def __init__(self, bus: BusRun, disturbances: Iterable[Disturbance] = ()) -> None:
        self._outages = bus.outages
        self._deafening: dict[int, list[WireFault]] = {}
        for what in disturbances:
            if isinstance(what, WireFault) and what.deaf and what.node is not None:
                self._deafening.setdefault(what.node, []).append(what)
        self._taken = 0  # of the outages
        self._silent: set[int] = set()

    def hears(self, node: int, t_ns: int) -> bool:
        """Return whether `node` receives a frame that ends at a time."""
        outages, silent, taken = self._outages, self._silent, self._taken
        while taken < len(outages):
            changed_ns, changed, state, _, _ = outages[taken]
            if changed_ns > t_ns:
                break
            taken += 1
            if state >= BUS_OFF:
                silent.add(changed)
            else:
                silent.discard(changed)
        self._taken = taken
        if node in silent:
            return False
        return node not in self._deafening or not any(fault.acts(t_ns) for fault in self._deafening[node])
