"""Simulator: faults that make the kit hand the steering to a driver, who is there or not.

A hand and a sensor differ: a hand takes hold, varies and moves the wheel its way; a sensor that is off is so
before anybody enables anything, and as still as its noise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.mapping.reading.sections import Key
from canmap.mapping.reading.shapes import quantity
from canmap.simulator.cart.chronicle import Subject
from canmap.simulator.scenario.faults import Effect, TimeSpan
from canmap.simulator.scenario.script import TORQUE, si

if TYPE_CHECKING:
    from canmap.mapping.reading.sections import SectionValues
    from canmap.simulator.cart.world import Plan, World

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
    """The torque sensor reads too much from the start, then so much that the kit takes it for the driver."""
    torque, stated = si(values, TORQUE), values.get(BEFORE)
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
    return Effect(
        cause,
        None,
        *SHOWN,
        begin=lambda world: set_to(world, torque),
        end=lambda world: set_to(world, 0.0),
        prepare=prepare,
        touches=(Subject.TORQUE_SENSOR,),
    )
