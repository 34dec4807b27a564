"""Simulator: the states that the cart went through to the values that each message tells, as columns.

One function a message; it takes the states at the moments of sending and the numbers of the frames, and
returns signals in the description's units. Sensors are a little noisy and tell what their resolution allows.
The kit counts angles positive to the right.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.cart.vehicle import wheel_speeds
from canmap.simulator.noise import even
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from canmap.payload.packing import Column
    from canmap.simulator.cart.states import States

    Values = dict[str, Column]

ANGLE_NOISE = 0.03  # deg
TORQUE_NOISE = 0.03  # N m
TOOTH_SPEED = 0.03  # km/h, resolution of the wheel speed sensors
DRIVE_SPEED = 0.02  # km/h, of the motor's encoder
KMH = 3.6


def noisy(states: States, purpose: str, numbers: NDArray[np.int64], deviation: float) -> NDArray[np.float64]:
    """Return noise of that standard deviation, at most 2.45 times as large, for the frames `numbers`."""
    first, second = even(states.seed, purpose, 2 * numbers), even(states.seed, purpose, 2 * numbers + 1)
    return (first + second - 1.0) * (deviation * math.sqrt(6.0))


def quantised(values: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Return the nearest multiples of `step`, as a sensor of that resolution tells them."""
    return step * np.rint(values / step)


def _steer_feedback(s: States, n: NDArray[np.int64]) -> Values:
    angle = np.rad2deg(s.wheel_angle + s.angle_offset)
    friction = 1.2 * np.clip(s.wheel_rate, -1.0, 1.0) * s.by_hand
    return {
        "Angle": -(angle + noisy(s, "angle", n, ANGLE_NOISE)),
        "Rate": -np.rad2deg(s.wheel_rate),
        "State": s.steering_state,
        "Homed": s.steering_state >= AxisState.READY,
        "Torque": -(s.torque + friction + noisy(s, "torque", n, TORQUE_NOISE)),
        "Reason": s.steering_reason,
    }


def _steer_command(s: States, _: NDArray[np.int64]) -> Values:
    return {"Angle": -np.rad2deg(s.asked_angle), "Enable": s.steering_enable}


def _brake_command(s: States, _: NDArray[np.int64]) -> Values:
    return {"Effort": s.asked_brake, "Enable": s.brake_enable}


def _drive_command(s: States, _: NDArray[np.int64]) -> Values:
    return {"Throttle": s.asked_throttle, "Gear": s.asked_gear, "Enable": s.drive_enable}


def _pedal_state(s: States, _: NDArray[np.int64]) -> Values:
    return {"Throttle": s.throttle_sensor, "BrakePedal": s.brake_pedal, "ThrottleB": 0.5 * s.throttle_pedal}


def _drive_feedback(s: States, _: NDArray[np.int64]) -> Values:
    measures = s.parameters
    turns = s.speed * (measures.gear_reduction / measures.rolling_radius * 30.0 / math.pi)
    return {
        "Speed": quantised(KMH * s.speed, DRIVE_SPEED),
        "MotorSpeed": turns,
        "Gear": s.gear,
        "State": s.drive_state,
        "Reason": s.drive_reason,
    }


def _brake_feedback(s: States, n: NDArray[np.int64]) -> Values:
    pressure = s.effort * (s.parameters.brake_pressure / 1e7)
    return {
        "Pressure": np.maximum(0.0, pressure + noisy(s, "pressure", n, 0.03)),
        "Effort": s.effort,
        "State": s.brake_state,
        "ParkingReleased": 1.0 - s.parking,
        "Reason": s.brake_reason,
    }


def _wheel_speeds(s: States, n: NDArray[np.int64]) -> Values:
    names = ("FrontLeft", "FrontRight", "RearLeft", "RearRight")
    measured = zip(names, wheel_speeds(s.speed, s.road_angle, s.parameters), strict=True)
    return {
        name: quantised(KMH * speed * (1.0 + noisy(s, name, n, 0.002)), TOOTH_SPEED)
        for name, speed in measured
    }


def _kit_state(s: States, _: NDArray[np.int64]) -> Values:
    return {
        "Mode": s.mode,
        "Reason": s.reason,
        "StopLoopClosed": s.loop_closed,
        "LinkLost": s.link_lost,
        "SupplyOn": s.supply,
    }


def _operator_panel(s: States, _: NDArray[np.int64]) -> Values:
    return {
        "StopButton": s.pressed,
        "RadioStop": s.radio_pressed,
        "ModeSwitch": s.mode_switch,
        "ParkingLever": s.parking,
    }


def _battery_state(s: States, n: NDArray[np.int64]) -> Values:
    return {
        "Charge": 100.0 * s.charge,
        "Voltage": s.voltage + noisy(s, "voltage", n, 0.01),
        "Current": s.current + noisy(s, "current", n, 0.1),
        "Temperature": 24.0,
    }


def _steer_diagnostics(s: States, n: NDArray[np.int64]) -> Values:
    return {
        "Page": n % 3,
        "Supply": s.kit_supply - s.motor_drop + noisy(s, "kit supply", n, 0.01),
        "MotorTemperature": s.motor_temperature,
        "MotorCurrent": s.motor_current,
        "Restarts": s.steering_restarts,
        "OnTime": 0.1 * n.astype(np.float64),
        "Firmware": s.firmware,
    }


def _body_state(s: States, n: NDArray[np.int64]) -> Values:
    return {"Beacon": 1.0, "Supply": 13.4 - s.rail_drop + noisy(s, "body supply", n, 0.02)}


def no_values(_states: States, _: NDArray[np.int64]) -> Values:
    """Tell nothing: every signal is 0."""
    return {}


TELL: Mapping[str, Callable[[States, NDArray[np.int64]], Values]] = {
    "SteerFeedback": _steer_feedback,
    "SteerCommand": _steer_command,
    "BrakeCommand": _brake_command,
    "DriveCommand": _drive_command,
    "PedalState": _pedal_state,
    "DriveFeedback": _drive_feedback,
    "BrakeFeedback": _brake_feedback,
    "WheelSpeeds": _wheel_speeds,
    "KitState": _kit_state,
    "OperatorPanel": _operator_panel,
    "BatteryState": _battery_state,
    "SteerDiagnostics": _steer_diagnostics,
    "BodyState": _body_state,
}
