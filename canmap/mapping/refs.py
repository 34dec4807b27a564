"""How a spec names messages and signals once they are found, and what it asks of a signal."""

from __future__ import annotations

from canmap.base.dataclass import dataclass


@dataclass(frozen=True, slots=True)
class MessageRef:
    """A described message of a bus."""

    bus: str
    message: str


@dataclass(frozen=True, slots=True)
class SignalRef:
    """A signal of a described message on a bus."""

    bus: str
    message: str
    signal: str


@dataclass(frozen=True, slots=True)
class Requirement:
    """Holds while the newest raw value of a signal lies in one of the inclusive raw ranges."""

    ref: SignalRef
    accepts: tuple[tuple[int, int], ...]
