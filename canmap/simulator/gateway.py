"""Simulator: transmissions of one bus to releases on another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.simulator.network import Release, Transmission


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
    """A gateway at work; takes transmissions in pieces."""

    def __init__(self, gateway: Gateway, seed: int = 0) -> None:
        raise NotImplementedError

    def take(self, transmissions: Iterable[Transmission]) -> list[Release]:
        """Return what it releases on the other bus, ordered by time within the call."""
        raise NotImplementedError
