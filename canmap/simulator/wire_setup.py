"""Simulator: what a setup says of the wires: buses, nodes that no description speaks of, the gateway."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.buses.gateway import Gateway, Route
from canmap.simulator.buses.network import BusConfig, Node, Queue
from canmap.simulator.cart.nodes import MS
from canmap.simulator.cart.other_traffic import OTHER_NODES, OtherTraffic

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.simulator.cart.vehicle_kind import BusKind
    from canmap.simulator.cart.world import Setup, World


def other_traffic(setup: Setup) -> OtherTraffic | None:
    """Return what undescribed nodes send on the first bus."""
    if setup.others is None:
        return None
    bus, described = setup.kind.drive, {each.can_id for each in setup.kit.messages}
    return OtherTraffic(setup.others, setup.seed, described, bus.bit_rate, len(bus.nodes))


def bus_config(
    bus: BusKind | None, recovery_ns: Mapping[str, int] | None = None, *, others: bool = False
) -> BusConfig:
    """Return a bus; where the vehicle has none, one on which nobody is."""
    if bus is None:
        return BusConfig("none", 250_000, ())
    waits = recovery_ns or {}
    nodes = tuple(
        Node(each, Queue.PRIORITY, mailboxes=3, replaces=True, recovery_ns=waits.get(each, 0))
        for each in bus.nodes
    )
    beside = tuple(Node(f"other {number}") for number in range(OTHER_NODES * others))
    return BusConfig(bus.name, bus.bit_rate, nodes + beside)


def gateway(world: World) -> Gateway:
    """Return the gateway between the buses; where the vehicle has none, one that passes nothing on."""
    relay, chassis, beside = world.kind.relay, world.kind.chassis, world.setup.chassis
    if relay is None or chassis is None or beside is None:
        return Gateway(0, ())
    source = world.layouts[relay.source].message
    target = next(each.can_id for each in beside.messages if each.name == relay.copy)
    route = Route(source.can_id, source.extended, every=relay.every, relayed_id=target)
    plan, node = world.setup.plan, chassis.nodes.index(relay.gateway)
    losses, overloads = tuple(plan.gateway_losses), tuple(plan.gateway_overloads)
    return Gateway(node, (route,), relay.delay_ns, MS // 2, losses, overloads)
