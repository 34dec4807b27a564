"""Simulator: what a run is made of: what happens when, and what is wrong with bus, gateway and recorder.

The script and the faults write it before the run; the world carries it out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.simulator.buses.gateway import GatewayLoss
    from canmap.simulator.buses.network import Disturbance
    from canmap.simulator.buses.recorder import RecorderFault
    from canmap.simulator.cart.payloads import Layout
    from canmap.simulator.cart.world import World


@dataclass(slots=True)
class Plan:
    """What happens, and what goes wrong.

    Attributes:
        actions: Simulated time in ns and what is done then, in any order; of the same time, first come, first
            done.
        disturbances: Of the drive bus.
        gateway_losses: Of the gateway from the drive bus to the chassis bus.
        recorder: What goes wrong in the recorder, on both channels alike.
        layouts: Messages that the kit packs otherwise than described, by name.
        cuts: Times at which the two channels of the capture must not be sorted across.
        live: What the kit or the computer receives is disturbed, so the bus must run with the vehicle.
    """

    actions: list[tuple[int, Callable[[World], None]]] = field(default_factory=list)
    disturbances: list[Disturbance] = field(default_factory=list)
    gateway_losses: list[GatewayLoss] = field(default_factory=list)
    recorder: list[RecorderFault] = field(default_factory=list)
    layouts: dict[str, Layout] = field(default_factory=dict)
    cuts: list[int] = field(default_factory=list)
    live: bool = False

    def at(self, t_ns: int, action: Callable[[World], None]) -> None:
        """Do something at a time."""
        self.actions.append((t_ns, action))
