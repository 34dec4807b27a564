"""Simulator: the list of all faults, and those of the bus description."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple, cast

from canmap.base.errors import UsageError
from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import number, signal
from canmap.simulator.cart.payloads import Layout, misread
from canmap.simulator.scenario import bus_faults as b
from canmap.simulator.scenario import cart_faults as c
from canmap.simulator.scenario import demand_faults as d
from canmap.simulator.scenario import faults as f
from canmap.simulator.scenario import gateway_faults as g
from canmap.simulator.scenario import override_faults as o
from canmap.simulator.scenario import recorder_faults as r
from canmap.simulator.scenario import recorder_keys as k
from canmap.simulator.scenario import second_node as n
from canmap.simulator.scenario import supply_faults as s
from canmap.simulator.scenario import value_faults as v
from canmap.simulator.scenario.faults import Effect, TimeSpan
from canmap.simulator.scenario.script import TORQUE

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan

SIGNAL = Key("signal", signal, required=True)
FACTOR = Key("factor", number, required=True)


def _told_wrongly(
    values: SectionValues, span: TimeSpan, cause: str, change: Callable[[Layout, str], Layout]
) -> Effect:
    """Make the effect of a description that is wrong about a signal: the kit sends something else."""
    found = cast("FoundSignal", values.get(SIGNAL))
    name = found.message.name

    def prepare(plan: Plan) -> None:
        layout = plan.layouts.get(name) or span.vehicle.layout(found.message)
        plan.layouts[name] = change(layout, found.signal.name)
        plan.live |= span.vehicle.heard(name)

    return Effect(
        f"{found.text}: {cause}", found.bus, found.message.sender, name, found.text, prepare=prepare
    )


def wrong_scale(values: SectionValues, span: TimeSpan) -> Effect:
    """The description's factor is not the kit's."""
    factor = cast("Fraction", values.get(FACTOR))
    cause = f"the kit's scale is {float(factor):g} times that of the description."
    return _told_wrongly(values, span, cause, lambda layout, name: misread(layout, name, factor=factor))


def wrong_sign(values: SectionValues, span: TimeSpan) -> Effect:
    """The description's sign is not the kit's."""
    cause = "the kit counts in the opposite direction to the description."
    return _told_wrongly(values, span, cause, lambda layout, name: misread(layout, name, factor=Fraction(-1)))


def wrong_byte_order(values: SectionValues, span: TimeSpan) -> Effect:
    """The description's byte order is not the kit's."""
    cause = "the kit sends its bytes in the opposite order to the description."
    return _told_wrongly(values, span, cause, lambda layout, name: misread(layout, name, swap=True))


def _not_swappable(values: SectionValues, vehicle: VehicleKind) -> str | None:
    found = values.get(SIGNAL)
    if found is None:
        return None
    try:
        misread(Layout(found.message), found.signal.name, swap=True)
    except UsageError as error:
        return str(error)
    return _from_start(values, vehicle)


def _zero_factor(values: SectionValues, vehicle: VehicleKind) -> str | None:
    return "The factor must not be zero." if values.get(FACTOR) == 0 else _from_start(values, vehicle)


def _from_start(values: SectionValues, vehicle: VehicleKind) -> str | None:
    found, relay = values.get(SIGNAL), vehicle.relay
    if found is not None and relay is not None and found.message.name == relay.copy:
        return f"{relay.copy} is a copy of what the kit sends: name the signal of {relay.source}."
    return None


def _too_much(values: SectionValues, _: VehicleKind) -> str | None:
    share = values.get(f.SHARE)
    return "A share is at most 100 %." if share is not None and share.si > 1 else None


def _bad_sender_loss(values: SectionValues, vehicle: VehicleKind) -> str | None:
    return f.not_sent(values, vehicle) or _too_much(values, vehicle)


def _off_drive(values: SectionValues, vehicle: VehicleKind) -> str | None:
    found = values.get(f.MESSAGE)
    bus = vehicle.drive.name
    if found is not None and (found.bus != bus or found.message.period_ns is None):
        return f"{found.message.name} is not a cyclic message of the {bus} bus, where the second sender is."
    return None


class FaultKind(NamedTuple):
    """A kind of fault.

    Attributes:
        effect: Makes what it does from its parameters and its span.
        keys: Its parameters beside `at` and `for`.
        complaint: Says what is wrong with parameters that are readable, None for nothing, by the vehicle.
        whole: It lasts from the first frame to the last, so it takes neither `at` nor `for`.
    """

    effect: Callable[[SectionValues, TimeSpan], Effect]
    keys: tuple[Key[object], ...] = ()
    complaint: Callable[[SectionValues, VehicleKind], str | None] | None = None
    whole: bool = False


FAULT_KINDS: dict[str, FaultKind] = {
    "message_stopped": FaultKind(f.message_stopped, (f.MESSAGE,), f.not_sent),
    "frozen_value": FaultKind(v.frozen, (f.MESSAGE, v.ONE), v.not_frozen),
    "node_restart": FaultKind(f.node_restart, (f.NODE, f.SUPPLY_DIP)),
    "supply_cut": FaultKind(f.supply_cut),
    "stop_pressed": FaultKind(f.stop_pressed, (f.BUTTON,), f.no_radio),
    "link_lost": FaultKind(f.link_lost),
    "demand_late": FaultKind(d.demand_late, (f.MESSAGE, d.DELAY), d.no_demand),
    "demand_absent": FaultKind(d.demand_absent, (f.MESSAGE,), d.no_demand),
    "demand_refused": FaultKind(d.demand_refused, (f.MESSAGE, d.BECAUSE), d.no_refusal),
    "driver_override": FaultKind(o.driver_override, (TORQUE,)),
    "false_override": FaultKind(o.false_override, (o.SENSOR_OFFSET, o.BEFORE, o.RIM_MASS), o.one_reason),
    "kit_fault": FaultKind(f.kit_fault, (f.AXIS,)),
    "sensor_offset": FaultKind(f.sensor_offset, (f.OFFSET, f.SLIPS_WITHIN)),
    "railed_pedal": FaultKind(f.railed_pedal, (f.LEVEL,)),
    "sender_loss": FaultKind(f.sender_loss, (f.MESSAGE, f.SHARE), _bad_sender_loss),
    "bunched_demands": FaultKind(g.bunched_demands, (g.EVERY,)),
    "gateway_loss": FaultKind(g.gateway_loss, (f.SHARE,), _too_much),
    "gateway_overload": FaultKind(g.gateway_overload, (g.SERVICE, g.DEPTH)),
    "gateway_restart": FaultKind(g.gateway_restart),
    "recorder_loss": FaultKind(r.recorder_loss, (f.SHARE,), _too_much),
    "recorder_overload": FaultKind(r.recorder_overload, (r.RATE, r.BUFFER)),
    "recorder_gap": FaultKind(r.recorder_gap),
    "recorder_unplugged": FaultKind(r.recorder_unplugged, (f.BUS,)),
    "recorder_loose_plug": FaultKind(r.recorder_loose_plug, (f.BUS, f.EVERY)),
    "recorder_filter": FaultKind(r.recorder_filter, (f.MESSAGE,), whole=True),
    "host_stall": FaultKind(r.host_stall, (r.BUFFER,)),
    "capture_ends": FaultKind(r.capture_ends, (), r.goes_on),
    "clock_step": FaultKind(r.clock_step, (r.STEP,)),
    "clocks_apart": FaultKind(r.clocks_apart, (k.OFFSET, k.DRIFT), r.one_bus, whole=True),
    "channels_swapped": FaultKind(r.channels_swapped, (), r.one_bus, whole=True),
    "wrong_bit_rate": FaultKind(r.wrong_bit_rate, (f.BUS,), whole=True),
    "babbling_node": FaultKind(b.babbling_node, (b.IDENTIFIER, b.GAP)),
    "wiring": FaultKind(b.wiring, (f.SHARE, b.NODE), _too_much),
    "two_senders": FaultKind(n.two_senders, (f.MESSAGE,), _off_drive),
    "identity_clash": FaultKind(n.identity_clash, (b.SENDER,)),
    "wrong_rate_node": FaultKind(b.wrong_rate_node),
    "slow_recovery": FaultKind(b.slow_recovery, (b.SENDER, b.DELAY)),
    "loose_connector": FaultKind(b.loose_connector, (b.BEHIND, f.EVERY, b.MOVING)),
    "ground_shift": FaultKind(b.ground_shift, (f.SHARE, b.ABOVE, b.NODE), _too_much),
    "broken_branch": FaultKind(b.broken_branch, (b.BEHIND,)),
    "bus_shorted": FaultKind(b.bus_shorted, (f.BUS,)),
    "bus_dominant": FaultKind(b.bus_dominant, (f.BUS,)),
    "loop_open": FaultKind(s.loop_open),
    "loop_chatter": FaultKind(s.loop_chatter, (s.OPEN_FOR, f.EVERY), s.too_short),
    "supply_sag": FaultKind(s.supply_sag, (s.RESISTANCE, s.WHERE)),
    "node_unplugged": FaultKind(s.node_unplugged, (s.UNPLUGGED,)),
    "receiver_deaf": FaultKind(c.receiver_deaf, (f.MESSAGE,), d.no_demand),
    "stale_demand": FaultKind(c.stale_demand, (c.SOURCE_OF,), c.no_source),
    "derating": FaultKind(c.derating, (c.WITHIN,)),
    "jammed_linkage": FaultKind(c.jammed_linkage),
    "stuck_frame": FaultKind(v.stuck_frame, (f.MESSAGE,), f.not_sent),
    "repeated_frames": FaultKind(v.repeated_frames, (f.MESSAGE,), f.not_sent),
    "scale_changed": FaultKind(v.scale_changed, (v.SIGNAL, v.FACTOR), v.not_changed),
    "sensor_contact": FaultKind(v.sensor_contact, (v.SIGNAL, f.SHARE, v.RAIL), v.not_changed),
    "wheel_dropout": FaultKind(v.wheel_dropout, (v.WHEEL, v.BELOW)),
    "changed_settings": FaultKind(
        c.changed_settings,
        (c.FIRMWARE, c.WATCHDOG, c.THRESHOLD, c.SOURCE_OF, c.PERIOD),
        c.no_period,
        whole=True,
    ),
    "wrong_scale": FaultKind(wrong_scale, (SIGNAL, FACTOR), _zero_factor, whole=True),
    "wrong_sign": FaultKind(wrong_sign, (SIGNAL,), _from_start, whole=True),
    "wrong_byte_order": FaultKind(wrong_byte_order, (SIGNAL,), _not_swappable, whole=True),
}
