"""Simulator: transmissions of one bus to releases on another."""

from __future__ import annotations

from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.buses.network import Outcome, Release
from canmap.simulator.noise import even, even_ns

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.network import Transmission


@dataclass(frozen=True, slots=True)
class Route:
    """What a gateway does with one message.

    Attributes:
        can_id: Identifier on the bus it listens to.
        extended: It has 29 bits.
        every: Of this many, the first is relayed.
        relayed_id: Identifier on the other bus; None: the same.
    """

    can_id: int
    extended: bool = False
    every: int = 1
    relayed_id: int | None = None


@dataclass(frozen=True, slots=True)
class GatewayLoss:
    """Frames that should be relayed get lost in it."""

    start_ns: int
    stop_ns: int
    probability: float = 1.0
    can_id: int | None = None  # only this one, as it comes in; None: all


@dataclass(frozen=True, slots=True)
class Gateway:
    """A gateway in one direction; its frames are the node `node` of the other bus.

    Attributes:
        node: Index of the gateway's node there.
        routes: What it relays.
        delay_ns: From end of frame to release.
        jitter_ns: Added, evenly spread over 0 to this.
        losses: What goes wrong.
    """

    node: int
    routes: tuple[Route, ...]
    delay_ns: int = 0
    jitter_ns: int = 0
    losses: tuple[GatewayLoss, ...] = ()


class Relay:
    """A gateway at work.

    Args:
        gateway: The gateway.
        seed: Of its losses and its jitter.
    """

    def __init__(self, gateway: Gateway, seed: int = 0) -> None:
        self._gateway = gateway
        self._seed = seed
        self._routes = {(route.can_id, route.extended): route for route in gateway.routes}
        self._seen = dict.fromkeys(self._routes, 0)
        self._relayed = 0

    def take(self, transmissions: Iterable[Transmission]) -> list[Release]:
        """Return what it releases on the other bus, ordered by time within the call."""
        releases = [
            release
            for sent in transmissions
            if sent.outcome is Outcome.SENT
            for release in self._relay(sent.t_ns, sent.frame)
        ]
        return sorted(releases, key=itemgetter(0))

    def _relay(self, t_ns: int, frame: Frame) -> tuple[Release, ...]:
        name = frame.can_id, frame.extended
        route = self._routes.get(name)
        if route is None:
            return ()
        order = self._seen[name]
        self._seen[name] += 1
        if order % route.every:
            return ()
        number = np.array([self._relayed])
        self._relayed += 1
        for place, loss in enumerate(self._gateway.losses):
            meant = loss.can_id in {None, frame.can_id} and loss.start_ns <= t_ns < loss.stop_ns
            if meant and even(self._seed, f"gateway loss {place}", number)[0] < loss.probability:
                return ()
        late_ns = self._gateway.delay_ns
        if self._gateway.jitter_ns:
            late_ns += int(even_ns(self._seed, "gateway jitter", number, self._gateway.jitter_ns)[0])
        if route.relayed_id is not None:
            frame = frame._replace(can_id=route.relayed_id)
        return (Release(t_ns + late_ns, self._gateway.node, frame),)
