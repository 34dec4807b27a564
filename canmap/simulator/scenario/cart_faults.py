"""Simulator: faults of the kit's receivers and settings, of the steering motor, of the computer."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import integer, message, quantity, time_ns
from canmap.simulator.cart.chronicle import Subject
from canmap.simulator.cart.steering_motor import COLD, HOT
from canmap.simulator.scenario.faults import Effect, TimeSpan, at_sender, named, steering_shown
from canmap.simulator.scenario.script import si

if TYPE_CHECKING:
    from canmap.mapping.reading.names import FoundMessage
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.trouble import Trouble
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan, World

SOURCE_OF = Key("message", message)
WITHIN = Key("within", time_ns)
FIRMWARE = Key("firmware", integer(0, 255), required=True)
WATCHDOG = Key("watchdog", time_ns)
THRESHOLD = Key("override_torque", quantity("N m", positive=True))
PERIOD = Key("period", time_ns)


def receiver_deaf(values: SectionValues, span: TimeSpan) -> Effect:
    """Demands are on the bus as they should be, and the kit does not get them."""
    found = named(values).message
    axes = span.vehicle.demands[found.name]

    def set_to(world: World, deaf: bool) -> None:
        for axis in axes:
            world.cart.axes[axis].deaf = deaf

    node = span.vehicle.node_of[axes[0]]
    cause = f"{node} does not receive {found.name}, which is on the bus as it should be."
    return Effect(
        cause,
        node=node,
        message=found.name,
        begin=lambda world: set_to(world, True),
        end=lambda world: set_to(world, False),
    )


def derating(values: SectionValues, span: TimeSpan) -> Effect:
    """The steering motor gets hot, and follows ever more weakly."""
    within_ns = values.get(WITHIN) or 5_000_000_000

    def begin(world: World) -> None:
        world.cart.steering_motor.heating = (HOT - COLD) / (within_ns / 1e9)

    def end(world: World) -> None:
        world.cart.steering_motor.cool()

    cause = (
        f"The steering motor got {HOT:g} degrees hot within {within_ns / 1e9:g} s and moved ever more slowly."
    )
    return Effect(cause, "drive", *steering_shown(span.vehicle), begin=begin, end=end)


def jammed_linkage(_: SectionValues, span: TimeSpan) -> Effect:
    """The steering does not move, whatever the motor pulls."""

    def begin(world: World) -> None:
        world.cart.steering_motor.jammed = True

    def end(world: World) -> None:
        world.cart.steering_motor.jammed = False

    cause = "The steering linkage is jammed: the motor pulls, and the wheel does not move."
    return Effect(cause, None, *steering_shown(span.vehicle), begin=begin, end=end)


def stale_demand(values: SectionValues, span: TimeSpan) -> Effect:
    """What feeds the computer is dead: it goes on sending its last demand, with a counter that runs."""
    found = cast("FoundMessage | None", values.get(SOURCE_OF))
    if found is not None:

        def change(trouble: Trouble, on: bool) -> None:
            trouble.frozen = on

        cause = f"What feeds {found.message.name} is dead; the computer repeats its last value."
        return at_sender(values, span, cause, change)

    def begin(world: World) -> None:
        world.cart.computer.dead = True

    def end(world: World) -> None:
        world.cart.computer.dead = False

    cause = "What feeds the computer is dead; it repeats its last demands."
    return Effect(
        cause,
        node=span.vehicle.computer,
        messages=tuple(span.vehicle.demands),
        begin=begin,
        end=end,
        touches=(Subject.COMPUTER,),
    )


def no_source(values: SectionValues, vehicle: VehicleKind) -> str | None:
    """Say so where the message is no demand."""
    found = values.get(SOURCE_OF)
    if found is not None and found.message.name not in vehicle.demands:
        return f"{found.message.name} is not a demand; it is one of {', '.join(vehicle.demands)}."
    return None


def changed_settings(values: SectionValues, span: TimeSpan) -> Effect:
    """The kit has another firmware and other settings than the last time, for the whole run."""
    firmware, watchdog_ns = values.get(FIRMWARE) or 0, values.get(WATCHDOG)
    found, period_ns = cast("FoundMessage | None", values.get(SOURCE_OF)), values.get(PERIOD)
    stated = values.get(THRESHOLD)

    def change(world: World) -> None:
        world.cart.sensors.firmware = firmware
        if watchdog_ns is not None:
            for axis in world.cart.axes.values():
                axis.watchdog_ns = watchdog_ns
        if stated is not None:
            world.cart.set_override_torque(float(stated.si))

    def prepare(plan: Plan) -> None:
        if found is not None and period_ns is not None:
            plan.periods[found.message.name] = period_ns

    told = [f"a watchdog of {watchdog_ns / 1e6:g} ms"] if watchdog_ns is not None else []
    told += [f"an override torque of {si(values, THRESHOLD):g} N m"] if stated is not None else []
    if found is not None and period_ns is not None:
        told += [f"{found.message.name} every {period_ns / 1e6:g} ms"]
    cause = (
        f"The kit has firmware {firmware}, another than before{', with ' if told else ''}{', '.join(told)}."
    )
    told_in = span.vehicle.signals["firmware"]
    name = found.message.name if found is not None else told_in.partition(".")[0]
    signal = None if found is not None else told_in
    return Effect(cause, "drive", None, name, signal, begin=change, prepare=prepare)


def no_period(values: SectionValues, _: VehicleKind) -> str | None:
    """Say so where one of `message` and `period` is missing, or the message has no period."""
    found, period_ns = values.get(SOURCE_OF), values.get(PERIOD)
    if (found is None) is not (period_ns is None):
        return "A changed period takes both keys, `message` and `period`."
    if found is not None and not found.message.period_ns:
        return f"{found.message.name} has no period."
    return None
