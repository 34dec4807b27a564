"""Simulator: the state of the cart after every step, for the messages: as columns, or a single one.

Where the bus runs with the vehicle, a message is made of the newest state alone, as numbers: a column of one
would cost ten times as much. `Told` and `Numbers` are what both have in common.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.simulator.cart.cart import Cart
    from canmap.simulator.cart.vehicle import VehicleParameters

FIELDS = (
    *("wheel_angle", "wheel_rate", "angle_offset", "torque", "by_hand", "road_angle", "speed", "effort"),
    *("steering_state", "steering_reason", "drive_state", "drive_reason", "brake_state", "brake_reason"),
    *("asked_angle", "asked_brake", "asked_throttle", "asked_gear"),
    *("steering_enable", "brake_enable", "drive_enable"),
    *("throttle_pedal", "throttle_sensor", "brake_pedal", "gear", "parking", "mode", "reason", "mode_switch"),
    *("loop_closed", "link_lost", "supply", "pressed", "radio_pressed"),
    *("charge", "voltage", "current", "kit_supply", "steering_restarts"),
    *("motor_current", "motor_temperature", "motor_drop", "rail_drop", "firmware"),
)
if TYPE_CHECKING:
    Told = NDArray[np.float64] | float
    Numbers = NDArray[np.int64] | int
_PLACES = {name: place for place, name in enumerate(FIELDS)}


def state_of(cart: Cart) -> tuple[float, ...]:
    """Return the cart's state, in the order of `FIELDS`."""
    vehicle, computer, driver = cart.vehicle, cart.computer, cart.driver
    chain, battery, sensors = cart.chain, cart.battery, cart.sensors
    motor, feed = cart.steering_motor, cart.feed
    steering, drive, brake, enabled = cart.steering, cart.drive, cart.brake, computer.enabled
    return (
        *(cart.wheel_angle, cart.wheel_rate, sensors.angle_offset, cart.torque),
        not steering.active and driver.steers,
        *(vehicle.road_angle, vehicle.speed, cart.effort),
        *(steering.state, steering.reason, drive.state, drive.reason, brake.state, brake.reason),
        *(computer.asked_angle, computer.brake, computer.throttle, computer.gear),
        *("steering" in enabled, "brake" in enabled, "drive" in enabled),
        *(driver.throttle, driver.throttle if sensors.pedal is None else sensors.pedal, driver.brake),
        *(cart.gear, cart.parking, cart.mode, cart.reason, cart.mode_switch),
        *(chain.loop_closed, chain.link_lost, chain.supply, chain.pressed, chain.radio_pressed),
        *(battery.charge, battery.voltage, battery.current, sensors.kit_supply, steering.restarts),
        *(motor.current, motor.temperature, feed.motor_drop, feed.rail_drop, sensors.firmware),
    )


class States:
    """States at some moments, float64[n] each, by the names of `FIELDS`.

    Attributes:
        seed: Of the run.
        parameters: The vehicle's measures.
    """

    def __init__(
        self,
        table: NDArray[np.float64],
        seed: int,
        parameters: VehicleParameters,
        rows: NDArray[np.int64] | None = None,
    ) -> None:
        self._table, self._rows = table, rows
        self.seed, self.parameters = seed, parameters

    def __len__(self) -> int:
        return self._table.shape[1] if self._rows is None else len(self._rows)

    def __getattr__(self, name: str) -> NDArray[np.float64]:
        """Return the column of that name."""
        try:
            column: NDArray[np.float64] = self._table[_PLACES[name]]
        except KeyError:
            raise AttributeError(name) from None
        return column if self._rows is None else column[self._rows]

    def at(self, rows: NDArray[np.int64]) -> States:
        """Return the states of those steps."""
        return States(self._table, self.seed, self.parameters, rows)


class State:
    """The state at one moment, a number each, by the names of `FIELDS`.

    Attributes:
        seed: Of the run.
        parameters: The vehicle's measures.
    """

    def __init__(self, row: tuple[float, ...], seed: int, parameters: VehicleParameters) -> None:
        self.__dict__.update(zip(FIELDS, row, strict=True))
        self.seed, self.parameters = seed, parameters

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> float:
            """Return the number of that name."""


def table_of(rows: list[tuple[float, ...]]) -> NDArray[np.float64]:
    """Return states as a table, float64[fields, n]."""
    numbers = np.fromiter(chain.from_iterable(rows), np.float64, len(rows) * len(FIELDS))
    return np.ascontiguousarray(numbers.reshape(-1, len(FIELDS)).T)
