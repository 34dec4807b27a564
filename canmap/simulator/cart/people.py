"""Simulator: who moves the vehicle: a driver with feet and hands, and a computer that sends demands.

Both follow the script: it sets what they want, and they get there by simple rules of control. Where the kit
lets go of itself, the driver's feet stay off the pedals unless the script has him watch. Speeds in m/s,
positive forward; angles of the steering wheel in rad, positive to the left; pedals and efforts in %.
"""

from __future__ import annotations

import math
from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.simulator.noise import even

if TYPE_CHECKING:
    from collections.abc import Mapping

AXES = ("steering", "drive", "brake")
COMFORT = 1.2  # m/s^2, how fast the computer changes the speed that it asks for
CRUISE_THROTTLE = 8.0  # %, about what rolling takes
FORCE_SHARE = 41.0  # % of throttle for 1 m/s^2
STANDSTILL_BRAKE = 30.0  # %
STALE_NS = 300_000_000  # the computer asks for no throttle without a fresh speed
REACTION_NS = (700_000_000, 1_500_000_000)  # of a driver who did not expect it; common practice
HAND_HZ = (1.3, 2.1, 3.4, 5.2, 7.9)  # how a hand's torque varies; from 1 to 10 Hz, common practice
HAND_RMS, HAND_SHARE = 0.4, 0.08  # N m at least, and of the torque
GRASP_NS = 80_000_000  # until a hand pulls with its whole torque


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
        seed: Of his reaction times and of how his hands vary.
        reacts_ns: When the kit lets go of itself, he acts so much later; None: he does not.
        reacts_with: `brake`, `wheel` or both.
        surprised_ns: When the kit let go of itself; None once the script moves his feet.
        holding: He has a hand on the wheel, whether he pulls or not.
    """

    speed: float | None = 0.0
    angle: float = 0.0
    torque: float = 0.0
    foot: float | None = None
    gear: float = 2.0
    throttle: float = 0.0
    brake: float = 0.0
    seed: int = 0
    reacts_ns: int | None = None
    reacts_with: frozenset[str] = frozenset()
    surprised_ns: int | None = None
    holding: bool = False
    _acted: bool = False
    _pulled_ns: int | None = None
    _phases: tuple[float, ...] = ()

    def act(self) -> None:
        """He moves his feet as the script says, whatever the kit did."""
        self.surprised_ns = None

    @property
    def steers(self) -> bool:
        """Whether it is his hands that turn the wheel where the motor does not, with what that takes."""
        return (self.surprised_ns is None or self.holding) and not self.torque

    def surprise(self, t_ns: int) -> None:
        """The kit let go of itself: his feet are off the pedals."""
        self.surprised_ns, self._acted = t_ns, False

    def reacts(self, t_ns: int) -> bool:
        """Tell whether his reaction time is over now, once; he then brakes, steers straight, or both."""
        since_ns = self.surprised_ns
        if since_ns is None or self._acted or self.reacts_ns is None or t_ns - since_ns < self.reacts_ns:
            return False
        self._acted = True
        if "brake" in self.reacts_with:
            self.speed = 0.0
        if "wheel" in self.reacts_with:
            self.holding, self.angle = True, 0.0
        return True

    def pull(self, t_ns: int) -> float:
        """Return the torque of his hands now: it takes a moment to grow, and varies."""
        if not self.torque and not self.holding:
            self._pulled_ns = None
            return 0.0
        if self._pulled_ns is None:
            self._pulled_ns = t_ns
        if not self._phases:
            phases = even(self.seed, "hand", np.arange(len(HAND_HZ)))
            self._phases = tuple(2.0 * math.pi * float(each) for each in phases)
        since_s = (t_ns - self._pulled_ns) / 1e9
        swing = sum(
            math.sin(2.0 * math.pi * hz * since_s + phase)
            for hz, phase in zip(HAND_HZ, self._phases, strict=True)
        )
        rms = max(HAND_RMS, HAND_SHARE * abs(self.torque)) / math.sqrt(0.5 * len(HAND_HZ))
        return min(1.0, (t_ns - self._pulled_ns) / GRASP_NS) * (self.torque + rms * swing)

    def step(self, speed: float, driving: bool, seconds: float) -> None:
        """Move the feet towards what the speed needs; `driving` says whether the pedals are his."""
        throttle = brake = 0.0
        taken = self.surprised_ns is None or (self._acted and "brake" in self.reacts_with)
        if driving and taken and self.speed is not None:
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
        watched: Messages that it watches, and which node sends each.
        withdraws_ns: It withdraws its demands when a message that it watches is away for longer; 0: it
            watches nothing.
        by_silence: It then stops sending; otherwise it takes its enable bits back.
        withdrew: It did, and nobody has enabled it since.
        dead: What feeds it is dead: it repeats its last demands.
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
    watched: Mapping[str, str] = field(default_factory=dict)
    withdraws_ns: int = 0
    by_silence: bool = False
    withdrew: bool = False
    dead: bool = False
    _seen_speed: float = 0.0
    _seen_ns: int = 0
    _sum: float = 0.0
    _heard_ns: dict[str, int] = field(default_factory=dict)

    def see_speed(self, speed: float, t_ns: int) -> None:
        """Take the speed that the bus tells."""
        self._seen_speed, self._seen_ns = speed, t_ns

    def hear(self, name: str, t_ns: int) -> None:
        """Take note that a message that it watches came."""
        self._heard_ns[name] = t_ns

    def enable(self, axes: set[str], t_ns: int) -> None:
        """Set the enable bits of axes, and watch from now on."""
        self.enabled |= axes
        self.withdrew = False
        for name in self.watched:
            self._heard_ns[name] = max(self._heard_ns.get(name, 0), t_ns)

    def misses(self, t_ns: int) -> str | None:
        """Return the message that has been away for too long, None while there is none."""
        if not self.withdraws_ns or not self.enabled or self.withdrew:
            return None
        for name in self.watched:
            if t_ns - self._heard_ns.get(name, 0) > self.withdraws_ns:
                return name
        return None

    @property
    def silent(self) -> bool:
        """Whether it sends no demands any more."""
        return self.withdrew and self.by_silence

    def withdraw(self) -> None:
        """Withdraw all demands; after that only the script enables again."""
        self.withdrew = True
        if not self.by_silence:
            self.enabled.clear()
            self.effort = None

    def step(self, t_ns: int, seconds: float) -> None:
        """Work out what to ask for."""
        if self.dead:
            return
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
