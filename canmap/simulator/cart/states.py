"""Simulator: the state of the cart after every step, for the messages: as columns, or a single one.

Where the bus runs with the vehicle, a message is made of the newest state alone, as numbers: a column of one
would cost ten times as much. `Told` and `Numbers` are what both have in common.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.simulator.cart.cart import Cart
    from canmap.simulator.cart.vehicle import VehicleParameters

    Told = NDArray[np.float64] | float
    Numbers = NDArray[np.int64] | int


class State(NamedTuple):
    """The state at one moment, a number each.

    Attributes:
        seed: Of the run.
        parameters: The vehicle's measures.
    """

    wheel_angle: float
    wheel_rate: float
    angle_offset: float
    torque: float
    by_hand: float
    road_angle: float
    speed: float
    effort: float
    steering_state: float
    steering_reason: float
    drive_state: float
    drive_reason: float
    brake_state: float
    brake_reason: float
    asked_angle: float
    asked_brake: float
    asked_throttle: float
    asked_gear: float
    steering_enable: float
    brake_enable: float
    drive_enable: float
    throttle_pedal: float
    throttle_sensor: float
    brake_pedal: float
    gear: float
    parking: float
    mode: float
    reason: float
    mode_switch: float
    loop_closed: float
    link_lost: float
    supply: float
    pressed: float
    radio_pressed: float
    charge: float
    voltage: float
    current: float
    kit_supply: float
    steering_restarts: float
    motor_current: float
    motor_temperature: float
    motor_drop: float
    rail_drop: float
    firmware: float
    seed: int
    parameters: VehicleParameters


FIELDS = State._fields[:-2]  # that change from step to step
_PLACES = {name: place for place, name in enumerate(FIELDS)}
# Without the keyword handling of a NamedTuple.
new_state: Callable[[tuple[object, ...]], State] = partial(tuple.__new__, State)


def state_of(cart: Cart) -> tuple[float, ...]:
    """Return the cart's state, in the order of `FIELDS`."""
    vehicle, computer, driver = cart.vehicle, cart.computer, cart.driver
    chain, battery, sensors = cart.chain, cart.battery, cart.sensors
    motor, feed = cart.steering_motor, cart.feed
    steering, drive, brake, enabled = cart.steering, cart.drive, cart.brake, computer.enabled
    pedal = driver.throttle if sensors.pedal is None else sensors.pedal
    return (
        cart.wheel_angle, cart.wheel_rate, sensors.angle_offset, cart.torque,
        not steering.active and driver.steers, vehicle.road_angle, vehicle.speed, cart.effort,
        steering.state, steering.reason, drive.state, drive.reason, brake.state, brake.reason,
        computer.asked_angle, computer.brake, computer.throttle, computer.gear,
        "steering" in enabled, "brake" in enabled, "drive" in enabled,
        driver.throttle, pedal, driver.brake,
        cart.gear, cart.parking, cart.mode, cart.reason, cart.mode_switch,
        chain.loop_closed, chain.link_lost, chain.supply, chain.pressed, chain.radio_pressed,
        battery.charge, battery.voltage, battery.current, sensors.kit_supply, steering.restarts,
        motor.current, motor.temperature, feed.motor_drop, feed.rail_drop, sensors.firmware,
    )  # fmt: skip


class States:
    """States at some moments, float64[n] each, by the names of `FIELDS`.

    Args:
        rows: The states one by one, each in the order of `FIELDS`.
        seed: Of the run.
        parameters: The vehicle's measures.
    """

    def __init__(self, rows: list[tuple[float, ...]], seed: int, parameters: VehicleParameters) -> None:
        self._rows, self.seed, self.parameters = rows, seed, parameters
        self._columns: dict[str, NDArray[np.float64]] = {}  # those that somebody asked for
        self._steps: NDArray[np.int64] | None = None  # None: all

    def __len__(self) -> int:
        return len(self._rows if self._steps is None else self._steps)

    def __getattr__(self, name: str) -> NDArray[np.float64]:
        """Return the column of that name."""
        column = self._columns.get(name)
        if column is None:
            if name not in _PLACES:
                raise AttributeError(name)
            place = _PLACES[name]
            column = self._columns[name] = np.array([row[place] for row in self._rows], np.float64)
        return column if self._steps is None else column[self._steps]

    def at(self, steps: NDArray[np.int64]) -> States:
        """Return the states of those steps."""
        some = States(self._rows, self.seed, self.parameters)
        some._columns, some._steps = self._columns, steps
        return some
