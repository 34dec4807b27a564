"""Simulator: the vehicles that can be simulated, and which of them a spec is of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.cart.garden_carrier import GARDEN_CARRIER
from canmap.simulator.cart.orchard_cart import ORCHARD_CART

if TYPE_CHECKING:
    from collections.abc import Collection

    from canmap.simulator.cart.vehicle_kind import VehicleKind

VEHICLES: tuple[VehicleKind, ...] = (ORCHARD_CART, GARDEN_CARRIER)


def vehicle_with(nodes: Collection[str | None]) -> VehicleKind:
    """Return the vehicle of which most nodes are there by name; where none is, the first of all."""
    return max(VEHICLES, key=lambda vehicle: sum(name in nodes for name in vehicle.nodes))
