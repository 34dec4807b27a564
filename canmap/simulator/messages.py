"""Simulator: the state of the cart to the values that each message tells, in the description's units.

One function a message. Sensors are a little noisy and tell what their resolution allows; sine and cosine aside,
all randomness comes from the seeded source that is handed in. The kit counts angles positive to the right.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canmap.simulator.vehicle import quantised
from canmap.vocabulary import AxisState

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from random import Random

    from canmap.simulator.cart import Cart

Values = dict[str, float]
Tell = "Callable[[Cart, Random, int], Values]"

ANGLE_NOISE = 0.03  # deg
TORQUE_NOISE = 0.03  # N m
TOOTH_SPEED = 0.03  # km/h, resolution of the wheel speed sensors
KMH = 3.6


def _steer_feedback(cart: Cart, noise: Random, _: int) -> Values:
    angle = math.degrees(cart.wheel_angle + cart.sensors.angle_offset)
    friction = 1.2 * math.tanh(cart.wheel_rate) * (not cart.steering.active)
    return {
        "Angle": -(angle + noise.gauss(0.0, ANGLE_NOISE)),
        "Rate": -math.degrees(cart.wheel_rate),
        "State": cart.steering.state,
        "Homed": cart.steering.state >= AxisState.READY,
        "Torque": -(cart.torque + friction + noise.gauss(0.0, TORQUE_NOISE)),
        "Reason": cart.steering.reason,
    }


def _steer_command(cart: Cart, _noise: Random, _: int) -> Values:
    computer = cart.computer
    return {"Angle": -math.degrees(computer.asked_angle), "Enable": "steering" in computer.enabled}


def _brake_command(cart: Cart, _noise: Random, _: int) -> Values:
    return {"Effort": cart.computer.brake, "Enable": "brake" in cart.computer.enabled}


def _drive_command(cart: Cart, _noise: Random, _: int) -> Values:
    computer = cart.computer
    return {"Throttle": computer.throttle, "Gear": computer.gear, "Enable": "drive" in computer.enabled}


def _pedal_state(cart: Cart, _noise: Random, _: int) -> Values:
    pedal = cart.driver.throttle
    first = pedal if cart.sensors.pedal is None else cart.sensors.pedal
    return {"Throttle": first, "BrakePedal": cart.driver.brake, "ThrottleB": 0.5 * pedal}


def _drive_feedback(cart: Cart, _noise: Random, _: int) -> Values:
    speed, measures = cart.vehicle.speed, cart.parameters
    turns = speed / measures.rolling_radius * measures.gear_reduction * 30.0 / math.pi
    return {
        "Speed": quantised(KMH * speed, 0.02),
        "MotorSpeed": turns,
        "Gear": cart.gear,
        "State": cart.drive.state,
        "Reason": cart.drive.reason,
    }


def _brake_feedback(cart: Cart, noise: Random, _: int) -> Values:
    pressure = cart.effort * cart.parameters.brake_pressure / 1e7
    return {
        "Pressure": max(0.0, pressure + noise.gauss(0.0, 0.03)),
        "Effort": cart.effort,
        "State": cart.brake.state,
        "ParkingReleased": not cart.parking,
        "Reason": cart.brake.reason,
    }


def _wheel_speeds(cart: Cart, noise: Random, _: int) -> Values:
    told = [
        quantised(KMH * speed * (1.0 + noise.gauss(0.0, 0.002)), TOOTH_SPEED)
        for speed in cart.vehicle.wheel_speeds()
    ]
    return dict(zip(("FrontLeft", "FrontRight", "RearLeft", "RearRight"), told, strict=True))


def _kit_state(cart: Cart, _noise: Random, _: int) -> Values:
    chain = cart.chain
    return {
        "Mode": cart.mode,
        "Reason": cart.reason,
        "StopLoopClosed": chain.loop_closed,
        "LinkLost": chain.link_lost,
        "SupplyOn": chain.supply,
    }


def _operator_panel(cart: Cart, _noise: Random, _: int) -> Values:
    return {
        "StopButton": cart.chain.pressed,
        "RadioStop": cart.chain.radio_pressed,
        "ModeSwitch": cart.mode_switch,
        "ParkingLever": cart.parking,
    }


def _battery_state(cart: Cart, noise: Random, _: int) -> Values:
    battery = cart.battery
    return {
        "Charge": 100.0 * battery.charge,
        "Voltage": battery.voltage + noise.gauss(0.0, 0.01),
        "Current": battery.current + noise.gauss(0.0, 0.1),
        "Temperature": 24.0,
    }


def _steer_diagnostics(cart: Cart, noise: Random, count: int) -> Values:
    return {
        "Page": count % 3,
        "Supply": cart.sensors.kit_supply - 0.02 * abs(cart.wheel_rate) + noise.gauss(0.0, 0.01),
        "MotorTemperature": 31.0,
        "MotorCurrent": 4.0 * cart.wheel_rate * cart.steering.active,
        "OnTime": 0.1 * count,
        "Firmware": 23,
    }


def _body_state(_cart: Cart, noise: Random, _: int) -> Values:
    return {"Beacon": 1, "Supply": 13.4 + noise.gauss(0.0, 0.02)}


TELL: Mapping[str, Callable[[Cart, Random, int], Values]] = {
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
