"""Simulator: faults that make the kit hand the steering to a driver, who is there or not.

A hand and a sensor differ: a hand takes hold, varies and moves the wheel its way; a sensor that is off is so
before anybody enables anything, and as still as its noise. The inertia of a heavy rim is felt only while the
motor speeds the wheel up or slows it down: its torque is proportional to that, and against it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import quantity
from canmap.simulator.cart.chronicle import Subject
from canmap.simulator.scenario.faults import Effect, TimeSpan
from canmap.simulator.scenario.script import TORQUE, si

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.vehicle_kind import VehicleKind
    from canmap.simulator.cart.world import Plan, World

SENSOR_OFFSET = Key("torque", quantity("N m"))
RIM_MASS = Key("rim_mass", quantity("kg", positive=True))
BEFORE = Key("before", quantity("N m"))
SHOWN = ("SteerNode", "SteerFeedback", "SteerFeedback.Torque")


def driver_override(values: SectionValues, _: TimeSpan) -> Effect:
    """The driver holds the steering wheel against the motor."""
    torque = si(values, TORQUE)

    def begin(world: World) -> None:
        world.cart.driver.torque = torque

    def end(world: World) -> None:
        world.cart.driver.torque = 0.0

    cause = f"The driver held the steering wheel with {abs(torque):g} N m."
    return Effect(cause, None, *SHOWN, begin=begin, end=end, touches=(Subject.HAND,))


def false_override(values: SectionValues, span: TimeSpan) -> Effect:
    """The kit takes something for the driver's hand that is none: a torque sensor that is off, or inertia."""
    return _by_inertia(values) if values.get(RIM_MASS) else _by_offset(values, span)


def _by_offset(values: SectionValues, span: TimeSpan) -> Effect:
    """The torque sensor reads too much from the start, then so much that the kit takes it for the driver."""
    torque, stated = si(values, SENSOR_OFFSET), values.get(BEFORE)
    before = 0.5 * torque if stated is None else float(stated.si)

    def set_to(world: World, offset: float) -> None:
        world.cart.sensors.torque_offset = offset

    def prepare(plan: Plan) -> None:
        if span.start_ns:
            plan.at(0, lambda world: set_to(world, before))

    cause = (
        f"The torque sensor is off by {torque:g} N m, by {before:g} N m from the start; no hand is on the"
        " steering wheel."
    )
    return _felt(cause, lambda world: set_to(world, torque), lambda world: set_to(world, 0.0), prepare)


def _by_inertia(values: SectionValues) -> Effect:
    """The rim is heavy: when the motor turns it with a jerk, the torque sensor feels it for long enough."""
    mass = si(values, RIM_MASS)

    def begin(world: World) -> None:
        world.cart.rim_inertia = mass * world.setup.parameters.rim_radius**2

    def end(world: World) -> None:
        world.cart.rim_inertia = world.setup.parameters.rim_inertia

    cause = (
        f"The rim of the steering wheel weighs {mass:g} kg: the torque sensor feels its inertia where the"
        " motor speeds it up or slows it down; no hand is on it."
    )
    return _felt(cause, begin, end)


def _felt(
    cause: str,
    begin: Callable[[World], None],
    end: Callable[[World], None],
    prepare: Callable[[Plan], None] | None = None,
) -> Effect:
    touches = (Subject.TORQUE_SENSOR,)
    return Effect(cause, None, *SHOWN, begin=begin, end=end, prepare=prepare, touches=touches)


def one_reason(values: SectionValues, _: VehicleKind) -> str | None:
    """Say so where a false override has no reason, or two."""
    heavy, off = values.get(RIM_MASS) is not None, values.get(SENSOR_OFFSET) is not None
    if heavy is off:
        return "A false override takes one of the keys `torque` and `rim_mass`."
    return "`before` goes with `torque`." if heavy and values.get(BEFORE) is not None else None
