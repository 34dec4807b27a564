"""Simulator: demands to what an actuator does, with dead time, limits of rate and travel, inertia and play.

The second-order response ``x'' = w^2 (u - x) - 2 d w x'`` (natural frequency w, damping d) is stepped by its
exact solution for a constant demand (standard linear systems; closed form for d below 1), so the step width
decides only how often a demand is taken.
"""

from __future__ import annotations

import math
from collections import deque

from canmap.base.dataclass import dataclass
from canmap.base.errors import UsageError


@dataclass(frozen=True, slots=True)
class Response:
    """How an actuator follows its demand.

    Attributes:
        dead_time: From a demand to the first reaction, s; rounded to whole steps.
        frequency: Natural frequency, rad/s.
        damping: Of the second-order response, above 0 and below 1.
        rate: Largest rate, in the actuator's unit per s; infinite for none.
        low: End of travel.
        high: The other end.
    """

    dead_time: float
    frequency: float
    damping: float
    rate: float = math.inf
    low: float = -math.inf
    high: float = math.inf


class Actuator:
    """A second-order actuator behind a dead time.

    Attributes:
        value: Where it is.
        speed: Its rate, per s.
    """

    __slots__ = (
        "_high",
        "_low",
        "_matrix",
        "_queue",
        "_rate",
        "_seconds",
        "speed",
        "value",
    )

    def __init__(self, response: Response, seconds: float, value: float = 0.0) -> None:
        if not 0.0 < response.damping < 1.0:
            raise UsageError(f"A damping of {response.damping:g} is not between 0 and 1; choose one that is.")
        self.value, self.speed = value, 0.0
        self._seconds, self._rate = seconds, response.rate
        self._low, self._high = response.low, response.high
        self._queue = deque([value] * round(response.dead_time / seconds))
        # The exact solution over one step: (error, speed) = matrix (error, speed), error = value - demand.
        decay, swing = (
            response.damping * response.frequency,
            response.frequency * math.sqrt(1.0 - response.damping**2),
        )
        shrink = math.exp(-decay * seconds)
        cosine, sine = math.cos(swing * seconds), math.sin(swing * seconds)
        self._matrix = (
            shrink * (cosine + decay / swing * sine),
            shrink * sine / swing,
            -shrink * response.frequency**2 / swing * sine,
            shrink * (cosine - decay / swing * sine),
        )

    def step(self, demand: float) -> float:
        """Follow `demand` for one step; return the new value."""
        queue = self._queue
        if queue:
            queue.append(demand)
            demand = queue.popleft()
        before, speed = self.value, self.speed
        error = before - demand
        from_error, from_speed, faster_by_error, faster_by_speed = self._matrix
        value = demand + from_error * error + from_speed * speed
        faster = faster_by_error * error + faster_by_speed * speed
        if abs(faster) > self._rate:
            faster = math.copysign(self._rate, faster)
            value = before + faster * self._seconds
        if value > self._high:
            value, faster = self._high, 0.0
        elif value < self._low:
            value, faster = self._low, 0.0
        self.value, self.speed = value, faster
        return value

    def limit_rate(self, rate: float) -> None:
        """Have another largest rate from now on, per s."""
        self._rate = rate

    def hold(self, value: float, speed: float = 0.0) -> None:
        """Be moved by another: stand at `value`, forget the demands that wait."""
        self.value, self.speed = value, speed
        queue = self._queue
        for i in range(len(queue)):
            queue[i] = value


class Play:
    """Backlash: the driven side follows the driving one only once the gap is taken up.

    Attributes:
        value: Of the driven side.
    """

    __slots__ = ("_half", "value")

    def __init__(self, gap: float, value: float = 0.0) -> None:
        self._half, self.value = 0.5 * gap, value

    def step(self, driving: float) -> float:
        """Move the driving side to `driving`; return where the driven one is then."""
        if driving - self.value > self._half:
            self.value = driving - self._half
        elif self.value - driving > self._half:
            self.value = driving + self._half
        return self.value
