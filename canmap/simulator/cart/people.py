"""Simulator: who moves the vehicle: a driver with feet and hands, and a computer that sends demands.

Both follow the script: it sets what they want, and they get there by simple rules of control. Speeds in m/s,
positive forward; angles of the steering wheel in rad, positive to the left; pedals and efforts in %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

AXES = ("steering", "drive", "brake")
COMFORT = 1.2  # m/s^2, how fast the computer changes the speed that it asks for
CRUISE_THROTTLE = 8.0  # %, about what rolling takes
FORCE_SHARE = 41.0  # % of throttle for 1 m/s^2
STANDSTILL_BRAKE = 30.0  # %
STALE_NS = 300_000_000  # the computer asks for no throttle without a fresh speed


def clipped(value: float, low: float, high: float) -> float:
    """Return `value`, no further out than the limits."""
    return low if value < low else high if value > high else value


@dataclass(slots=True)
class Driver:
    """A driver on the seat.

    Attributes:
        speed: What he wants, None: feet off the pedals.
        angle: Where he wants the steering wheel.
        torque: With which he holds the wheel against the motor, N m, positive to the left.
        foot: Of the brake pedal, which he then holds, None: as the speed needs.
        gear: What the lever says, a `Gear`.
        throttle: Pedal, as he has it now.
        brake: Pedal.
    """

    speed: float | None = 0.0
    angle: float = 0.0
    torque: float = 0.0
    foot: float | None = None
    gear: float = 2.0
    throttle: float = 0.0
    brake: float = 0.0

    def step(self, speed: float, driving: bool, seconds: float) -> None:
        """Move the feet towards what the speed needs; `driving` says whether the pedals are his."""
        throttle = brake = 0.0
        if driving and self.speed is not None:
            sense = -1.0 if self.gear == 1.0 else 1.0
            short = sense * (self.speed - speed)
            if abs(self.speed) > 0.05:
                throttle = clipped(12.0 + 45.0 * short, 0.0, 80.0)
            if short < -0.15 or abs(self.speed) <= 0.05:
                brake = clipped(8.0 - 25.0 * short, 0.0, 60.0)
        if self.foot is not None:
            brake, throttle = self.foot, 0.0
        share = min(1.0, 5.0 * seconds)  # feet take 0.2 s
        self.throttle += share * (throttle - self.throttle)
        self.brake += share * (brake - self.brake)


@dataclass(slots=True)
class Computer:
    """The computer that asks for steering, throttle and brake over the bus.

    Attributes:
        speed: Where the script wants the speed.
        angle: Where the script wants the steering wheel.
        angle_rate: How fast it gets there, rad/s; infinite: at once.
        gear: What it asks for.
        enabled: Axes whose enable bit it sets.
        asked_speed: What it asks of itself now.
        asked_angle: What it asks for now.
        throttle: What it asks for now.
        brake: What it asks for now.
        effort: Brake effort that the script wants, None: as the speed needs.
    """

    speed: float = 0.0
    angle: float = 0.0
    angle_rate: float = math.radians(90.0)
    gear: float = 3.0
    enabled: set[str] = field(default_factory=set)
    asked_speed: float = 0.0
    asked_angle: float = 0.0
    throttle: float = 0.0
    brake: float = 0.0
    effort: float | None = None
    _seen_speed: float = 0.0
    _seen_ns: int = 0
    _sum: float = 0.0

    def see_speed(self, speed: float, t_ns: int) -> None:
        """Take the speed that the bus tells."""
        self._seen_speed, self._seen_ns = speed, t_ns

    def step(self, t_ns: int, seconds: float) -> None:
        """Work out what to ask for."""
        largest = self.angle_rate * seconds
        self.asked_angle += clipped(self.angle - self.asked_angle, -largest, largest)
        change = clipped(self.speed - self.asked_speed, -COMFORT * seconds, COMFORT * seconds)
        self.asked_speed += change
        self.throttle, self.brake = 0.0, 0.0
        if "drive" not in self.enabled:
            self.asked_speed, self._sum = self._seen_speed, 0.0
        elif t_ns - self._seen_ns < STALE_NS:
            self._regulate(change / seconds, seconds)
        if self.effort is not None:
            self.throttle, self.brake = 0.0, self.effort

    def _regulate(self, acceleration: float, seconds: float) -> None:
        """Set throttle or brake for the speed that is asked for now, which changes by `acceleration`."""
        sense = -1.0 if self.gear == 1.0 else 1.0
        asked = sense * self.asked_speed
        short = asked - sense * self._seen_speed
        if asked < 0.1 and sense * self.speed < 0.1:
            self._sum, self.brake = 0.0, STANDSTILL_BRAKE
            return
        self._sum = clipped(self._sum + 4.0 * short * seconds, -5.0, 10.0)
        wanted = CRUISE_THROTTLE + FORCE_SHARE * sense * acceleration + 25.0 * short + self._sum
        self.throttle = clipped(wanted, 0.0, 80.0)
        if wanted < 0.0:
            self.brake = clipped(-0.4 * wanted, 0.0, 60.0)
