"""Simulator: forces and a road angle to the motion of the vehicle, step by step, and its battery.

A kinematic bicycle: the centre of the rear axle moves along its heading, which turns with
``speed * tan(road angle) / wheelbase``. Along the road Newton's law holds with rolling resistance, air drag,
the motor and the brakes. Angles positive to the left, speed positive forward, SI throughout.
Kinematics after [Siciliano et al., Robotics, chapter 11]; road loads after [Gillespie, chapter 4], both from
memory.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Column = NDArray[np.float64] | float

GRAVITY = 9.80665  # m/s^2, standard
AIR_DENSITY = 1.2  # kg/m^3, near 20 °C at sea level


@dataclass(frozen=True, slots=True)
class VehicleParameters:
    """The measures of a small electric utility vehicle.

    Attributes:
        mass: kg, with its driver.
        wheelbase: m.
        track: m, both axles.
        steering_ratio: Steering wheel to road wheel, rad per rad.
        rolling_radius: m.
        rolling_resistance: Force per weight, plain number.
        drag_area: Drag coefficient times frontal area, m^2.
        gear_reduction: Motor to wheel, rad per rad.
        motor_force: Largest force at the rim, N.
        motor_power: Largest mechanical power, W.
        brake_force: At the rim at full effort, N.
        brake_pressure: At full effort, Pa.
        rim_mass: Of the steering wheel's rim, beyond the torque sensor, kg.
        rim_radius: Of the steering wheel, m.
    """

    mass: float = 620.0
    wheelbase: float = 1.86
    track: float = 1.20
    steering_ratio: float = 15.4
    rolling_radius: float = 0.27
    rolling_resistance: float = 0.018
    drag_area: float = 1.1
    gear_reduction: float = 12.0
    motor_force: float = 1500.0
    motor_power: float = 5000.0
    brake_force: float = 3600.0
    brake_pressure: float = 100e5
    rim_mass: float = 0.0
    rim_radius: float = 0.19

    @property
    def rim_inertia(self) -> float:
        """Moment of inertia of the steering wheel, that of a thin ring: m r^2, kg m^2."""
        return self.rim_mass * self.rim_radius**2


@dataclass(slots=True)
class Vehicle:
    """The state of the vehicle.

    Attributes:
        parameters: Its measures.
        speed: m/s, of the centre of the rear axle, positive forward.
        x: m, forward at the start.
        y: m, left at the start.
        heading: rad, positive to the left.
        road_angle: rad, of the front wheels (the bicycle's one wheel), positive to the left.
    """

    parameters: VehicleParameters
    speed: float = 0.0
    x: float = 0.0
    y: float = 0.0
    heading: float = 0.0
    road_angle: float = 0.0

    @property
    def rolling_force(self) -> float:
        """Rolling resistance while it moves, N."""
        measures = self.parameters
        return measures.mass * GRAVITY * measures.rolling_resistance

    @property
    def drag(self) -> float:
        """Air drag per squared speed, N s^2/m^2."""
        return 0.5 * AIR_DENSITY * self.parameters.drag_area

    @property
    def yaw_rate(self) -> float:
        """Rad/s, positive to the left."""
        return self.speed * math.tan(self.road_angle) / self.parameters.wheelbase

    def step(self, motor: float, brake: float, seconds: float) -> None:
        """Move on by `seconds` under constant forces.

        The speed takes one midpoint step of the equation of motion; friction never turns the vehicle round.

        Args:
            motor: Force at the rim, N, positive forward.
            brake: Force at the rim against the motion, N, not negative.
            seconds: Length of the step.
        """
        before = self.speed
        friction = self.rolling_force + brake
        if before == 0.0 and abs(motor) <= friction:
            return
        mass, drag = self.parameters.mass, self.drag
        sense = math.copysign(1.0, before if before else motor)
        slope = (motor - sense * (friction + drag * before * before)) / mass
        half = before + 0.5 * seconds * slope
        speed = before + seconds * (motor - sense * (friction + drag * half * half)) / mass
        if speed * sense < 0.0:
            speed = 0.0
        self.speed = speed
        middle = 0.5 * (before + speed)
        turn = seconds * middle * math.tan(self.road_angle) / self.parameters.wheelbase
        direction = self.heading + 0.5 * turn
        self.x += seconds * middle * math.cos(direction)
        self.y += seconds * middle * math.sin(direction)
        self.heading += turn


def front_angles(road_angle: Column, parameters: VehicleParameters) -> tuple[Column, Column]:
    """Return the angles of the left and the right front wheel, rad, by the Ackermann condition.

    Args:
        road_angle: Of the bicycle's front wheel, rad, positive to the left; float64[n] or one.
        parameters: The vehicle's measures.
    """
    single = isinstance(road_angle, float)
    slope = math.tan(road_angle) if single else np.tan(road_angle)
    angle = math.atan2 if single else np.arctan2
    half, base = 0.5 * parameters.track * slope, parameters.wheelbase
    return angle(slope * base, base - half), angle(slope * base, base + half)


def wheel_speeds(
    speed: Column, road_angle: Column, parameters: VehicleParameters
) -> tuple[Column, Column, Column, Column]:
    """Return the rim speeds front left, front right, rear left, rear right, m/s, float64[n] each or one.

    Args:
        speed: Of the centre of the rear axle, m/s, positive forward; float64[n] or one.
        road_angle: Of the bicycle's front wheel, rad, positive to the left; float64[n] or one.
        parameters: The vehicle's measures.
    """
    tan, cos = (math.tan, math.cos) if isinstance(road_angle, float) else (np.tan, np.cos)
    difference = speed * tan(road_angle) * (0.5 * parameters.track / parameters.wheelbase)
    rear_left, rear_right = speed - difference, speed + difference
    left, right = front_angles(road_angle, parameters)
    return rear_left / cos(left), rear_right / cos(right), rear_left, rear_right


@dataclass(slots=True)
class TractionBattery:
    """A battery with inner resistance: its voltage sags under load.

    Attributes:
        charge: Of full charge, 0 to 1.
        full_voltage: At rest and full, V.
        empty_voltage: At rest and empty, V.
        resistance: Ohm.
        capacity: A s.
        idle_current: Of everything but the motor, A.
        efficiency: Of motor and inverter.
        voltage: At the terminals, V.
        current: A, positive when discharging.
    """

    charge: float = 0.82
    full_voltage: float = 53.6
    empty_voltage: float = 44.0
    resistance: float = 0.025
    capacity: float = 100.0 * 3600.0
    idle_current: float = 2.5
    efficiency: float = 0.85
    voltage: float = 51.8
    current: float = 2.5

    def step(self, power: float, seconds: float) -> None:
        """Deliver `power` (W, mechanical, not negative) for `seconds`.

        The current is the smaller root of ``current * (rest - resistance * current) = power``, at most that
        at which the power is largest.
        """
        empty, resistance, charge = self.empty_voltage, self.resistance, self.charge
        rest = empty + (self.full_voltage - empty) * charge
        square = rest * rest - 4.0 * resistance * power / self.efficiency
        root = math.sqrt(square) if square > 0.0 else 0.0
        current = self.idle_current + (rest - root) / (2.0 * resistance)
        charge -= current * seconds / self.capacity
        self.current, self.voltage = current, rest - resistance * current
        self.charge = charge if charge > 0.0 else 0.0
