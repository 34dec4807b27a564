"""Simulator: faults of the gateway, and of the computer that delivers demands in bunches."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.errors import UsageError
from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import integer, time_ns
from canmap.simulator.buses.gateway import GatewayLoss, GatewayOverload
from canmap.simulator.cart.trouble import Bunches
from canmap.simulator.scenario.faults import SHARE, Effect, TimeSpan
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import RelayKind
    from canmap.simulator.cart.world import Plan, World

USUAL_DEPTH = 8  # frames that wait in an overloaded gateway

SERVICE = Key("service", time_ns, required=True)
DEPTH = Key("depth", integer(1, 1000))
EVERY = Key("every", time_ns, required=True)


def _relay(span: TimeSpan, kind: str) -> RelayKind:
    relay = span.vehicle.relay
    if relay is None:
        raise UsageError(f"The {span.vehicle.name} has no gateway; leave out {kind}.")
    return relay


def gateway_loss(values: SectionValues, span: TimeSpan) -> Effect:
    """The gateway does not pass on some frames."""
    share, relay = si(values, SHARE), _relay(span, "gateway_loss")

    def prepare(plan: Plan) -> None:
        plan.gateway_losses.append(GatewayLoss(span.start_ns, span.stop_ns, share))

    cause = f"The gateway loses {100 * share:g} % of the {relay.source} that it should relay."
    return Effect(cause, "chassis", relay.gateway, relay.copy, prepare=prepare)


def gateway_overload(values: SectionValues, span: TimeSpan) -> Effect:
    """The gateway is too slow: copies come later and later, then the oldest that waits is dropped."""
    service_ns, relay = values.get(SERVICE) or 0, _relay(span, "gateway_overload")
    depth = values.get(DEPTH) or USUAL_DEPTH

    def prepare(plan: Plan) -> None:
        plan.gateway_overloads.append(GatewayOverload(span.start_ns, span.stop_ns, service_ns, depth))
        plan.live = True

    cause = f"The gateway is overloaded: each copy of {relay.source} takes it {service_ns / 1e6:g} ms."
    return Effect(cause, "chassis", relay.gateway, relay.copy, prepare=prepare)


def gateway_restart(_: SectionValues, span: TimeSpan) -> Effect:
    """The gateway's program restarts: nothing is passed on for a while, and then its boot message comes."""
    relay = _relay(span, "gateway_restart")

    def begin(world: World) -> None:
        world.power_node(relay.gateway, False)

    def end(world: World) -> None:
        world.power_node(relay.gateway, True)

    def prepare(plan: Plan) -> None:
        plan.live = True

    cause = f"{relay.gateway} restarted."
    return Effect(cause, "chassis", relay.gateway, relay.copy, begin=begin, end=end, prepare=prepare)


def bunched_demands(values: SectionValues, span: TimeSpan) -> Effect:
    """The computer is busy with something else and hands its demands over in bunches, none lost.

    A bunch comes a millisecond apart; counters go on by one.
    """
    every_ns, demands = values.get(EVERY) or 0, tuple(span.vehicle.demands)

    def begin(world: World) -> None:
        for name in demands:
            world.senders[name].trouble.bunches = Bunches(span.start_ns, every_ns, span.stop_ns)

    def prepare(plan: Plan) -> None:
        plan.live = True

    return Effect(
        f"The computer delivers its demands in bunches, every {every_ns / 1e6:g} ms.",
        messages=demands,
        touches=demands,
        begin=begin,
        prepare=prepare,
    )
