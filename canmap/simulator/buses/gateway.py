"""Simulator: transmissions of one bus to releases on another."""

from __future__ import annotations

from collections import deque
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.simulator.buses.network import Outcome, Release
from canmap.simulator.noise import even_one

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.simulator.buses.frame import Frame
    from canmap.simulator.buses.network import Transmission
    from canmap.simulator.buses.traffic import Heard


SENT = Outcome.SENT  # a name of a module is found ten times as fast as a member of an enumeration
QUICK_NS = 200_000  # for each frame that still waits when an overload ends


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
class GatewayOverload:
    """It takes so long for each frame; others wait, and where too many do, the oldest is dropped."""

    start_ns: int
    stop_ns: int
    service_ns: int
    depth: int


@dataclass(frozen=True, slots=True)
class Gateway:
    """A gateway in one direction; its frames are the node `node` of the other bus.

    Attributes:
        node: Index of the gateway's node there.
        routes: What it relays.
        delay_ns: From end of frame to release.
        jitter_ns: Added, evenly spread over 0 to this.
        losses: What goes wrong.
        overloads: What else.
    """

    node: int
    routes: tuple[Route, ...]
    delay_ns: int = 0
    jitter_ns: int = 0
    losses: tuple[GatewayLoss, ...] = ()
    overloads: tuple[GatewayOverload, ...] = ()


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
        self._can_ids = frozenset(route.can_id for route in gateway.routes)
        self._seen = dict.fromkeys(self._routes, 0)
        self._relayed = 0
        self._waiting: deque[tuple[int, GatewayOverload, Frame]] = deque()
        self._free_ns = 0  # when it is done with the frame that did not wait any more

    def meant(self, heard: Heard) -> NDArray[np.intp]:
        """Return the rows of what it listens to; nothing else need be handed to `take`."""
        rows = np.zeros(len(heard), np.bool_)
        for can_id in self._can_ids:  # of which there are few: `isin` takes many times as long
            rows |= heard.frames.can_id == can_id
        return np.flatnonzero(rows & (heard.outcome == SENT))

    def take(self, transmissions: Iterable[Transmission], until_ns: int = 0) -> list[Release]:
        """Return what it releases on the other bus, ordered by time within the call.

        Args:
            transmissions: Those that follow the last call's.
            until_ns: All up to then is told; needed where it is overloaded.
        """
        releases: list[Release] = []
        for t_ns, _, frame, _, _, outcome, _, _ in transmissions:
            if outcome is SENT and frame[0] in self._can_ids:
                releases += self._served(t_ns)
                releases += self._relay(t_ns, frame)
        return sorted(releases + self._served(until_ns), key=itemgetter(0))

    def forget(self) -> None:
        """Begin anew, as after a restart."""
        self._waiting.clear()
        self._seen = dict.fromkeys(self._routes, 0)

    def _served(self, until_ns: int) -> list[Release]:
        """Return what it begins to work on up to a time; once the overload is over, it is quick."""
        done = []
        while self._waiting and (begin_ns := max(self._waiting[0][0], self._free_ns)) <= until_ns:
            _, overload, frame = self._waiting.popleft()
            self._free_ns = begin_ns + overload.service_ns
            if self._free_ns > overload.stop_ns:
                self._free_ns = max(begin_ns, overload.stop_ns) + QUICK_NS
            done.append(Release(self._free_ns, self._gateway.node, frame))
        return done

    def _relay(self, t_ns: int, frame: Frame) -> tuple[Release, ...]:
        name = frame.can_id, frame.extended
        route = self._routes.get(name)
        if route is None:
            return ()
        order = self._seen[name]
        self._seen[name] += 1
        if order % route.every:
            return ()
        number = self._relayed
        self._relayed += 1
        for place, loss in enumerate(self._gateway.losses):
            meant = loss.can_id in {None, frame.can_id} and loss.start_ns <= t_ns < loss.stop_ns
            if meant and even_one(self._seed, f"gateway loss {place}", number) < loss.probability:
                return ()
        late_ns = self._gateway.delay_ns
        if self._gateway.jitter_ns:
            late_ns += int(even_one(self._seed, "gateway jitter", number) * (self._gateway.jitter_ns + 1))
        if route.relayed_id is not None:
            frame = frame._replace(can_id=route.relayed_id)
        for overload in self._gateway.overloads:
            if overload.start_ns <= t_ns < overload.stop_ns:
                if len(self._waiting) >= overload.depth:
                    self._waiting.popleft()
                self._waiting.append((t_ns, overload, frame))
                return ()
        return (Release(t_ns + late_ns, self._gateway.node, frame),)
