"""Simulator: what the steering motor is asked for to where the wheel is, its current and its heat.

It follows its demand as an actuator does. Its current is proportional to its rate, and where the wheel cannot
move, to what is short, up to its limit. A hot motor is slower: derating, common practice; values are our own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.simulator.cart.actuators import Actuator
from canmap.simulator.cart.people import clipped

if TYPE_CHECKING:
    from canmap.simulator.cart.actuators import Response

CURRENT_PER_RATE = 4.0  # A per rad/s
CURRENT_PER_ERROR = 400.0  # A per rad, where the wheel cannot move
LARGEST_CURRENT = 40.0  # A
COLD, WARM, HOT = 31.0, 70.0, 115.0  # deg C: around it; where derating begins; where nothing is left
LEAST_SHARE = 0.01  # of its rate, however hot


class SteeringMotor(Actuator):
    """The motor that turns the steering wheel.

    Attributes:
        current: A, positive to the left.
        temperature: deg C.
        heating: It gets hotter by so much, K/s.
        jammed: The linkage does not move.
    """

    __slots__ = ("_period", "_response", "current", "heating", "jammed", "temperature")

    def __init__(self, response: Response, seconds: float) -> None:
        super().__init__(response, seconds)
        self._response = response
        self.current, self.temperature, self.heating = 0.0, COLD, 0.0
        self.jammed, self._period = False, seconds

    def step(self, demand: float) -> float:
        """Turn the wheel for one step; return where it is."""
        if self.heating:
            self.temperature = min(HOT, self.temperature + self.heating * self._period)
        if self.temperature > WARM:
            share = (HOT - self.temperature) / (HOT - WARM)
            self.limit_rate(self._response.rate * max(LEAST_SHARE, share))
        if self.jammed:
            self.hold(self.value)
            short = demand - self.value
        else:
            super().step(demand)
            at_lock = not self._response.low < self.value < self._response.high
            short = demand - self.value if at_lock else 0.0
        current = CURRENT_PER_RATE * self.speed + CURRENT_PER_ERROR * short
        self.current = clipped(current, -LARGEST_CURRENT, LARGEST_CURRENT)
        return self.value

    def rest(self) -> None:
        """Let go: no current."""
        self.current = 0.0

    def cool(self) -> None:
        """Be as cold as its surroundings, and as fast as ever."""
        self.temperature, self.heating = COLD, 0.0
        self.limit_rate(self._response.rate)
