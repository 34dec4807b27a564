"""Simulator: transmissions to what a recorder makes of them, as frame chunks and SocketCAN text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.chunks import FrameChunk
    from canmap.simulator.network import Transmission


@dataclass(frozen=True, slots=True)
class Loss:
    """The recorder drops frames."""

    start_ns: int
    stop_ns: int
    probability: float = 1.0  # 1: it has stopped, and nothing is recorded


@dataclass(frozen=True, slots=True)
class Delay:
    """Frames are stamped late by `delay_ns`."""

    start_ns: int
    stop_ns: int
    delay_ns: int


@dataclass(frozen=True, slots=True)
class Stall:
    """The host does not read: what came meanwhile is stamped in a burst at its end."""

    start_ns: int
    stop_ns: int
    buffer: int | None = None  # frames held at most; the later ones are lost


@dataclass(frozen=True, slots=True)
class ClockStep:
    """From `at_ns` on, stamps are `step_ns` later (negative: earlier)."""

    at_ns: int
    step_ns: int


RecorderFault = Loss | Delay | Stall | ClockStep


@dataclass(frozen=True, slots=True)
class Recorder:
    """A recorder on one bus.

    Attributes:
        channel: Name of the channel in the capture.
        epoch_ns: Stamp of simulated time 0.
        batch_ns: 0: stamped on receipt. Else frames are fetched at every multiple of this and get that stamp,
            as a USB adapter without a clock of its own does.
        latency_ns: Added to every stamp.
        jitter_ns: Added to every stamp on receipt or to every fetch, evenly spread over 0 to this.
        resolution_ns: Stamps are cut to multiples of this.
        error_frames: It records error frames.
        faults: What goes wrong, in simulated time.
    """

    channel: str = "can0"
    epoch_ns: int = 0
    batch_ns: int = 0
    latency_ns: int = 0
    jitter_ns: int = 0
    resolution_ns: int = 1000
    error_frames: bool = True
    faults: tuple[RecorderFault, ...] = ()


class Recording:
    """A recorder at work; takes transmissions in pieces."""

    def __init__(self, recorder: Recorder, seed: int = 0) -> None:
        raise NotImplementedError

    def take(self, transmissions: Iterable[Transmission]) -> FrameChunk:
        """Return the frames whose stamps are settled, in arrival order; the others come with a later call."""
        raise NotImplementedError

    def finish(self) -> FrameChunk:
        """Return the rest."""
        raise NotImplementedError


def text_lines(chunk: FrameChunk) -> bytes:
    """Return `chunk` as lines of a SocketCAN text log."""
    raise NotImplementedError
