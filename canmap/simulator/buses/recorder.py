"""Simulator: transmissions to what a recorder makes of them: which frames, in which order, with which stamps.

In: transmissions of one bus as columns, in pieces of any size. Out: frame chunks; the pieces do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.simulator.buses.network import Outcome
from canmap.simulator.buses.recorded_errors import error_frames
from canmap.simulator.noise import even, even_ns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.traffic import Sent

BURST_NS = 10_000  # what a host takes to read a frame that already waits (common practice)


@dataclass(frozen=True, slots=True)
class Loss:
    """The recorder drops frames."""

    start_ns: int
    stop_ns: int
    probability: float = 1.0  # 1: it has stopped, and nothing is recorded


@dataclass(frozen=True, slots=True)
class Delay:
    """Frames are stamped late by `delay_ns`; those that follow wait for them."""

    start_ns: int
    stop_ns: int
    delay_ns: int


@dataclass(frozen=True, slots=True)
class Stall:
    """The host does not read: what came meanwhile is stamped in a burst at its end.

    In the burst, frames are `BURST_NS` apart.
    """

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
    """A recorder at work.

    Args:
        recorder: The recorder.
        seed: Of its losses and its jitter.
    """

    def __init__(self, recorder: Recorder, seed: int = 0) -> None:
        self._recorder = recorder
        self._seed = seed
        self._seen = 0  # transmissions that were on the bus
        self._lines = 0
        self._newest_ns = {"seen": -(1 << 62), "read": -(1 << 62)}
        self._held = [0] * len(recorder.faults)  # frames held back by each stall

    def take(self, sent: Sent) -> FrameChunk:
        """Return what is recorded of `sent`, the transmissions that follow those of the last call."""
        rows = sent.outcome == Outcome.SENT
        if self._recorder.error_frames:
            rows |= sent.outcome == Outcome.DESTROYED
        sent = sent.take(rows)
        numbers = self._seen + np.arange(len(sent))
        self._seen += len(sent)
        kept = self._kept(sent.frames.t_ns, numbers)
        sent, numbers = sent.take(kept), numbers[kept]
        seen_ns = self._seen_ns(sent.frames.t_ns, numbers)
        seen_ns, read = self._stalled(seen_ns)
        sent, stamps = sent.take(read), self._stamps(seen_ns[read])
        line = self._lines + 1 + np.arange(len(sent))
        self._lines += len(sent)
        frames = error_frames(sent)
        channel = np.zeros(len(sent), np.uint8)
        return replace(frames, t_ns=stamps, line=line, channels=(self._recorder.channel,), channel=channel)

    def _kept(self, t_ns: NDArray[np.int64], numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        kept = np.ones(len(t_ns), np.bool_)
        for place, fault in enumerate(self._recorder.faults):
            if isinstance(fault, Loss):
                lost = even(self._seed, f"recorder loss {place}", numbers) < fault.probability
                kept &= ~(_within(t_ns, fault) & lost)
        return kept

    def _seen_ns(self, t_ns: NDArray[np.int64], numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return when the frames reach the host; none overtakes another."""
        recorder = self._recorder
        seen_ns = t_ns + recorder.latency_ns
        if not recorder.batch_ns:
            seen_ns = seen_ns + even_ns(self._seed, "recorder jitter", numbers, recorder.jitter_ns)
        for fault in recorder.faults:
            if isinstance(fault, Delay):
                seen_ns = seen_ns + np.where(_within(t_ns, fault), fault.delay_ns, 0)
        if recorder.batch_ns:
            fetch = -(-seen_ns // recorder.batch_ns)
            late_ns = even_ns(self._seed, "recorder jitter", fetch, recorder.jitter_ns)
            seen_ns = fetch * recorder.batch_ns + late_ns
        return self._in_order("seen", seen_ns)

    def _in_order(self, step: str, t_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        ordered = np.maximum.accumulate(np.concatenate([[self._newest_ns[step]], t_ns]))
        self._newest_ns[step] = int(ordered[-1])
        return ordered[1:]

    def _stalled(self, seen_ns: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return when the host reads the frames, and whether it does at all."""
        read = np.ones(len(seen_ns), np.bool_)
        for place, fault in enumerate(self._recorder.faults):
            if not isinstance(fault, Stall):
                continue
            held = _within(seen_ns, fault)
            order = self._held[place] + np.cumsum(held) - 1
            self._held[place] += int(held.sum())
            if fault.buffer is not None:
                read &= ~(held & (order >= fault.buffer))
                order = np.minimum(order, max(fault.buffer - 1, 0))
            seen_ns = np.where(held, fault.stop_ns + order * BURST_NS, seen_ns)
        return self._in_order("read", seen_ns), read

    def _stamps(self, seen_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        recorder = self._recorder
        stamps = seen_ns
        for fault in recorder.faults:
            if isinstance(fault, ClockStep):
                stamps = stamps + np.where(seen_ns >= fault.at_ns, fault.step_ns, 0)
        stamps = recorder.epoch_ns + stamps
        return stamps - stamps % recorder.resolution_ns


def _within(t_ns: NDArray[np.int64], fault: Loss | Delay | Stall) -> NDArray[np.bool_]:
    return (t_ns >= fault.start_ns) & (t_ns < fault.stop_ns)
