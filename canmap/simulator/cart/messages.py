"""Simulator: the states that the cart went through to the values that each message tells.

One function a message; it takes the states at the moments of sending and the numbers of the frames, as
columns, or a single state and number, and returns signals in the description's units. So it is made of what
NumPy does alike with columns and with numbers, or does a single number without it, which is quicker.
Sensors are a little noisy and tell what their resolution allows. The kit counts angles positive to the right.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.cart.vehicle import wheel_speeds
from canmap.simulator.noise import around_zero, around_zero_one
from canmap.vocabulary.record_types import AxisState

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from canmap.payload.packing import Column
    from canmap.simulator.cart.states import Numbers, State, States, Told

    Values = dict[str, Column]
    Moments = States | State

ANGLE_NOISE = 0.03  # deg
TORQUE_NOISE = 0.03  # N m
TOOTH_SPEED = 0.03  # km/h, resolution of the wheel speed sensors
DRIVE_SPEED = 0.02  # km/h, of the motor's encoder
KMH = 3.6
LARGEST_NOISE = math.sqrt(6.0)  # standard deviations


def noisy(states: Moments, purpose: str, numbers: Numbers, deviation: float) -> Told:
    """Return noise of that standard deviation, at most 2.45 times as large, for the frames `numbers`."""
    largest = deviation * LARGEST_NOISE
    if isinstance(numbers, int):
        return around_zero_one(states.seed, purpose, numbers) * largest
    return around_zero(states.seed, purpose, numbers) * largest


def quantised(values: Told, step: float) -> Told:
    """Return the nearest multiples of `step`, as a sensor of that resolution tells them."""
    if isinstance(values, float):
        return step * round(values / step)
    return step * np.rint(values / step)


def limited(values: Told, low: float, high: float) -> Told:
    """Return values, no further out than the limits."""
    if isinstance(values, float):
        return low if values < low else high if values > high else values
    return np.minimum(np.maximum(values, low), high)


def degrees(angles: Told) -> Told:
    """Return angles in degrees of angles in rad."""
    return math.degrees(angles) if isinstance(angles, float) else np.rad2deg(angles)


def _steer_feedback(s: Moments, n: Numbers) -> Values:
    angle = degrees(s.wheel_angle + s.angle_offset)
    friction = 1.2 * limited(s.wheel_rate, -1.0, 1.0) * s.by_hand
    return {
        "Angle": -(angle + noisy(s, "angle", n, ANGLE_NOISE)),
        "Rate": -degrees(s.wheel_rate),
        "State": s.steering_state,
        "Homed": s.steering_state >= AxisState.READY,
        "Torque": -(s.torque + friction + noisy(s, "torque", n, TORQUE_NOISE)),
        "Reason": s.steering_reason,
    }


def _steer_command(s: Moments, _: Numbers) -> Values:
    return {"Angle": -degrees(s.asked_angle), "Enable": s.steering_enable}


def _brake_command(s: Moments, _: Numbers) -> Values:
    return {"Effort": s.asked_brake, "Enable": s.brake_enable}


def _drive_command(s: Moments, _: Numbers) -> Values:
    return {"Throttle": s.asked_throttle, "Gear": s.asked_gear, "Enable": s.drive_enable}


def _pedal_state(s: Moments, _: Numbers) -> Values:
    return {"Throttle": s.throttle_sensor, "BrakePedal": s.brake_pedal, "ThrottleB": 0.5 * s.throttle_pedal}


def _drive_feedback(s: Moments, _: Numbers) -> Values:
    measures = s.parameters
    turns = s.speed * (measures.gear_reduction / measures.rolling_radius * 30.0 / math.pi)
    return {
        "Speed": quantised(KMH * s.speed, DRIVE_SPEED),
        "MotorSpeed": turns,
        "Gear": s.gear,
        "State": s.drive_state,
        "Reason": s.drive_reason,
    }


def _brake_feedback(s: Moments, n: Numbers) -> Values:
    pressure = s.effort * (s.parameters.brake_pressure / 1e7)
    return {
        "Pressure": limited(pressure + noisy(s, "pressure", n, 0.03), 0.0, math.inf),
        "Effort": s.effort,
        "State": s.brake_state,
        "ParkingReleased": 1.0 - s.parking,
        "Reason": s.brake_reason,
    }


def _wheel_speeds(s: Moments, n: Numbers) -> Values:
    names = ("FrontLeft", "FrontRight", "RearLeft", "RearRight")
    measured = zip(names, wheel_speeds(s.speed, s.road_angle, s.parameters), strict=True)
    return {
        name: quantised(KMH * speed * (1.0 + noisy(s, name, n, 0.002)), TOOTH_SPEED)
        for name, speed in measured
    }


def _kit_state(s: Moments, _: Numbers) -> Values:
    return {
        "Mode": s.mode,
        "Reason": s.reason,
        "StopLoopClosed": s.loop_closed,
        "LinkLost": s.link_lost,
        "SupplyOn": s.supply,
    }


def _operator_panel(s: Moments, _: Numbers) -> Values:
    return {
        "StopButton": s.pressed,
        "RadioStop": s.radio_pressed,
        "ModeSwitch": s.mode_switch,
        "ParkingLever": s.parking,
    }


def _battery_state(s: Moments, n: Numbers) -> Values:
    return {
        "Charge": 100.0 * s.charge,
        "Voltage": s.voltage + noisy(s, "voltage", n, 0.01),
        "Current": s.current + noisy(s, "current", n, 0.1),
        "Temperature": 24.0,
    }


def _steer_diagnostics(s: Moments, n: Numbers) -> Values:
    return {
        "Page": n % 3,
        "Supply": s.kit_supply - s.motor_drop + noisy(s, "kit supply", n, 0.01),
        "MotorTemperature": s.motor_temperature,
        "MotorCurrent": s.motor_current,
        "Restarts": s.steering_restarts,
        "OnTime": 0.1 * n,
        "Firmware": s.firmware,
    }


def _body_state(s: Moments, n: Numbers) -> Values:
    return {"Beacon": 1.0, "Supply": 13.4 - s.rail_drop + noisy(s, "body supply", n, 0.02)}


def no_values(_states: Moments, _: Numbers) -> Values:
    """Tell nothing: every signal is 0."""
    return {}


TELL: Mapping[str, Callable[[Moments, Numbers], Values]] = {
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
