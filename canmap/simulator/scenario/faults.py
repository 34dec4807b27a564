"""Simulator: what a fault is, and the faults of senders, axes, sensors and supply.

Each function takes a fault's parameters and span, and returns what it does to the world and what is true of
it. `fault_kinds` lists them all.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple, cast

from canmap.base.dataclass import dataclass
from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import message, quantity, time_ns, word
from canmap.simulator.cart.chronicle import Happened, Subject
from canmap.simulator.cart.fleet import vehicle_with
from canmap.simulator.cart.people import AXES
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import Context, SectionValues
    from canmap.simulator.cart.trouble import Trouble
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan, World


def _kit_node(node: Node, context: Context) -> str | None:
    return word("a node of the kit", vehicle_with(context.names.nodes).kit_nodes)(node, context)


def drive_node(node: Node, context: Context) -> str | None:
    """Read the name of a node of the first bus."""
    vehicle = vehicle_with(context.names.nodes)
    return word(f"a node of the {vehicle.drive.name} bus", vehicle.nodes)(node, context)


def _bus(node: Node, context: Context) -> str | None:
    names = [bus.name for bus in vehicle_with(context.names.nodes).buses]
    return word("a bus", names)(node, context)


MESSAGE = Key("message", message, required=True)
BUS = Key("bus", _bus, required=True)
NODE = Key("node", _kit_node, required=True)
SUPPLY_DIP = Key("supply_dip", quantity("V", positive=True))
BUTTON = Key("button", word("a button", ("vehicle", "radio")))
AXIS = Key("axis", word("an axis", AXES), required=True)
OFFSET = Key("offset", quantity("rad"), required=True)
SLIPS_WITHIN = Key("within", time_ns)
LEVEL = Key("level", quantity("1"), required=True)
SHARE = Key("share", quantity("1", positive=True), required=True)
EVERY = Key("every", time_ns)
SLIP_STEP_NS = 50_000_000  # between two changes of an angle sensor that slips
DIP_NS = 100_000_000  # the supply sags for so much longer before a node restarts than it takes to be told


class TimeSpan(NamedTuple):
    """From when to when, half open, simulated time; of which vehicle; whether to the end of the run."""

    start_ns: int
    stop_ns: int
    vehicle: VehicleKind
    to_the_end: bool


@dataclass(frozen=True, slots=True)
class Effect:
    """What a fault does, and what is true of it.

    Attributes:
        cause: One sentence.
        bus: It shows on this bus; None: on both.
        node: That has the fault.
        message: That it shows on.
        signal: That it shows on.
        messages: All that it shows on, where it is not one.
        begin: Done at its start.
        end: Done at its end.
        prepare: Done to the plan before the run.
        lead_ns: It began so long before it shows.
        touches: Subjects of the chronicle that it is the reason for; empty: its message.
    """

    cause: str
    bus: str | None = "drive"
    node: str | None = None
    message: str | None = None
    signal: str | None = None
    messages: tuple[str, ...] = ()
    begin: Callable[[World], None] | None = None
    end: Callable[[World], None] | None = None
    prepare: Callable[[Plan], None] | None = None
    lead_ns: int = 0
    touches: tuple[str, ...] = ()


def named(values: SectionValues) -> FoundMessage:
    """Return the message that a fault names."""
    return cast("FoundMessage", values.get(MESSAGE))


def not_sent(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is none that a node of its own sends."""
    found = values.get(MESSAGE)
    if found is not None and found.message.name == vehicle.copy:
        return f"{vehicle.copy} is the gateway's copy: take gateway_loss, or the message itself."
    return None


def at_sender(
    values: SectionValues, span: TimeSpan, cause: str, change: Callable[[Trouble, bool], None]
) -> Effect:
    """Make the effect of a trouble of one sender, which `change` sets (True) and takes back (False)."""
    found = named(values)
    name = found.message.name

    def begin(world: World) -> None:
        change(world.senders[name].trouble, True)

    def end(world: World) -> None:
        change(world.senders[name].trouble, False)

    def prepare(plan: Plan) -> None:
        plan.live |= span.vehicle.heard(name)

    return Effect(cause, found.bus, found.message.sender, name, begin=begin, end=end, prepare=prepare)


def message_stopped(values: SectionValues, span: TimeSpan) -> Effect:
    """A sender stops sending one message, its others go on."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.stopped = on

    found = named(values).message
    return at_sender(values, span, f"{found.sender} does not send {found.name}.", change)


def frozen_value(values: SectionValues, span: TimeSpan) -> Effect:
    """A message comes on time with counter and checksum, and its values stand still."""

    def change(trouble: Trouble, on: bool) -> None:
        trouble.frozen = on

    found = named(values).message
    cause = f"{found.sender} sends old values in {found.name}; its counter still counts."
    return at_sender(values, span, cause, change)


def sender_loss(values: SectionValues, span: TimeSpan) -> Effect:
    """Frames get lost between a sender's task and its controller; the counter counts them."""
    share = si(values, SHARE)

    def change(trouble: Trouble, on: bool) -> None:
        trouble.lost = share * on

    found = named(values).message
    return at_sender(values, span, f"{found.sender} loses {100 * share:g} % of its {found.name}.", change)


def node_restart(values: SectionValues, span: TimeSpan) -> Effect:
    """A node loses its supply or its mind, is away, and starts again."""
    node, dip = str(values.get(NODE)), values.get(SUPPLY_DIP)
    sent, usual = span.vehicle.node_messages[node], span.vehicle.machinery.kit_supply
    dip_ns = 0 if dip is None else span.vehicle.supply_told_ns + DIP_NS

    def sag(world: World) -> None:
        world.cart.sensors.kit_supply = float(dip.si) if dip is not None else usual
        after = world.chronicle.about(world.t_ns, node)
        world.chronicle.note(world.t_ns, Happened.SUPPLY_LOW, node, after=after, about=(node,))

    def begin(world: World) -> None:
        world.power_node(node, False, world.chronicle.about(world.t_ns, node))

    def end(world: World) -> None:
        world.cart.sensors.kit_supply = usual
        world.power_node(node, world.cart.feed.up[node])

    def prepare(plan: Plan) -> None:
        if dip is not None:
            plan.at(max(0, span.start_ns - dip_ns), sag)

    why = "its supply dipped" if dip is not None else "its program restarted"
    return Effect(
        f"{node} restarted: {why}.",
        node=node,
        messages=sent,
        begin=begin,
        end=end,
        prepare=prepare,
        lead_ns=dip_ns,
        touches=(node,),
    )


def supply_cut(_: SectionValues, span: TimeSpan) -> Effect:
    """The relay that feeds the kit opens although nothing asks for the stop."""

    def begin(world: World) -> None:
        world.cart.chain.relay_stuck_open = True

    def end(world: World) -> None:
        world.cart.chain.relay_stuck_open = False

    cause = f"The supply of {', '.join(span.vehicle.kit_nodes)} failed with the stop loop closed."
    return Effect(
        cause,
        messages=span.vehicle.kit_messages,
        begin=begin,
        end=end,
        touches=(Subject.RELAY,),
    )


def stop_pressed(values: SectionValues, span: TimeSpan) -> Effect:
    """An e-stop button is pressed; after its release the operator's reset is still needed."""
    radio = values.get(BUTTON) == "radio"

    def press(world: World, on: bool) -> None:
        chain = world.cart.chain
        chain.pressed, chain.radio_pressed = (chain.pressed, on) if radio else (on, chain.radio_pressed)

    cause = (
        f"The {'radio' if radio else 'vehicle'}'s e-stop button was pressed; the relay cut the kit's supply."
    )
    signal = span.vehicle.signals.get("radio" if radio else "vehicle")
    return Effect(
        cause,
        signal=signal,
        messages=span.vehicle.kit_messages,
        begin=lambda world: press(world, True),
        end=lambda world: press(world, False),
        touches=(Subject.RADIO_BUTTON if radio else Subject.BUTTON,),
    )


def link_lost(_: SectionValues, span: TimeSpan) -> Effect:
    """The radio link to the remote e-stop button is lost; its receiver opens the loop."""

    def begin(world: World) -> None:
        world.cart.chain.link = False

    def end(world: World) -> None:
        world.cart.chain.link = True

    cause = (
        "The radio link to the e-stop button was lost; half a second later the relay cut the kit's supply."
    )
    return Effect(
        cause,
        signal=span.vehicle.signals.get("link"),
        messages=span.vehicle.kit_messages,
        begin=begin,
        end=end,
        touches=(Subject.LINK,),
    )


def kit_fault(values: SectionValues, span: TimeSpan) -> Effect:
    """An axis faults and stays so until it is reset, which is the fault's end."""
    name = str(values.get(AXIS))
    node, state = span.vehicle.node_of[name], span.vehicle.state_of[name]
    feedback = state.partition(".")[0]

    def begin(world: World) -> None:
        world.cart.axes[name].fault = True

    def end(world: World) -> None:
        world.cart.axes[name].reset(world.t_ns)

    cause = f"{node} has an internal fault, latched."
    return Effect(cause, None, node, feedback, state, begin=begin, end=end, touches=(name,))


def steering_shown(vehicle: VehicleKind) -> tuple[str, str, str]:
    """Return the node, the message and the signal that tell the steering angle."""
    signal = vehicle.signals["angle"]
    return vehicle.node_of["steering"], signal.partition(".")[0], signal


def sensor_offset(values: SectionValues, span: TimeSpan) -> Effect:
    """The steering wheel's angle sensor is off, at once or more and more, and the kit steers by it."""
    offset, within_ns = si(values, OFFSET), values.get(SLIPS_WITHIN) or 0

    def set_to(world: World, angle: float) -> None:
        world.cart.sensors.angle_offset = angle

    def begin(world: World) -> None:
        until_ns = min(span.start_ns + within_ns, span.stop_ns)
        for t_ns in range(span.start_ns, until_ns, SLIP_STEP_NS):
            slipped = offset * (t_ns - span.start_ns) / within_ns
            world.do_at(t_ns, partial(set_to, angle=slipped))
        if span.start_ns + within_ns < span.stop_ns:
            world.do_at(span.start_ns + within_ns, partial(set_to, angle=offset))

    def end(world: World) -> None:
        set_to(world, 0.0)

    slowly = f", more and more within {within_ns / 1e9:g} s" if within_ns else ""
    cause = (
        f"The angle sensor of the steering wheel reads {offset * 57.29577951:.4g} deg too far to the left"
        f"{slowly}."
    )
    return Effect(cause, None, *steering_shown(span.vehicle), begin=begin, end=end)


def railed_pedal(values: SectionValues, _: TimeSpan) -> Effect:
    """The first sensor of the throttle pedal stands at a rail."""
    level = 100.0 * si(values, LEVEL)

    def begin(world: World) -> None:
        world.cart.sensors.pedal = level

    def end(world: World) -> None:
        world.cart.sensors.pedal = None

    cause = f"The first sensor of the throttle pedal is stuck at {level:g} %."
    return Effect(cause, "drive", "DriveNode", "PedalState", "PedalState.Throttle", begin=begin, end=end)


def no_radio(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the button is one that the vehicle has not."""
    if values.get(BUTTON) == "radio" and "link_lost" in vehicle.without:
        return f"The {vehicle.name} has no radio button."
    return None
