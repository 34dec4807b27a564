"""Simulator: what moves a vehicle and how its kit is asked to, as the vehicle as a whole needs to know it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from canmap.simulator.cart.actuators import Response
    from canmap.simulator.cart.feed import Buffer
    from canmap.simulator.cart.kit import AxisRule


class Motors(NamedTuple):
    """How the actuators of a vehicle answer; `hands` are the driver's on the steering wheel."""

    steering: Response
    hands: Response
    brake: Response
    throttle: Response


class Machinery(NamedTuple):
    """What moves a vehicle.

    Attributes:
        rules: Axis (`steering`, `drive`, `brake`) to what is particular to it.
        demand_of: Axis to the message that asks it; one message may ask several.
        asked_angle: Angle of the steering wheel (rad, positive to the left) to the demanded value.
        meant_angle: The way back.
        motors: Its actuators.
        kit_supply: V, of the kit's nodes.
        lowest_supply: V, at which they still run.
        buffers: What they live on without supply, where it is not the usual.
    """

    rules: Mapping[str, AxisRule]
    demand_of: Mapping[str, str]
    asked_angle: Callable[[float], float]
    meant_angle: Callable[[float], float]
    motors: Motors
    kit_supply: float
    lowest_supply: float
    buffers: Mapping[str, Buffer]
