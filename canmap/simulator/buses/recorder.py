"""Simulator: transmissions to what a recorder makes of them: which frames, in which order, with which stamps.

In: transmissions of one bus as columns, in pieces of any size. Out: frame chunks; the pieces do not matter.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.simulator.buses.network import ErrorKind, Outcome
from canmap.simulator.buses.recorded_errors import error_frames
from canmap.simulator.noise import even, even_ns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.traffic import Heard

LATEST_MISREAD_BIT = 30  # at a wrong bit rate, an error shows after a few bits
HICCUP_EVERY, HICCUP = 16, 8  # one frame in so many takes an adapter so many times as long as in the mean
BURST_NS = 10_000  # what a host takes to read a frame that already waits (common practice)


@dataclass(frozen=True, slots=True)
class Loss:
    """The recorder drops frames."""

    start_ns: int
    stop_ns: int
    probability: float = 1.0  # 1: it has stopped, and nothing is recorded
    bus: str | None = None  # on that bus only


@dataclass(frozen=True, slots=True)
class Delay:
    """Frames are stamped late by `delay_ns`; those that follow wait for them."""

    start_ns: int
    stop_ns: int
    delay_ns: int


@dataclass(frozen=True, slots=True)
class Stall:
    """The host does not read: what came meanwhile is stamped in a burst at its end.

    In the burst, frames are `BURST_NS` apart. Without a buffer it is a recorder that has stopped.
    """

    start_ns: int
    stop_ns: int
    buffer: int | None = None  # frames held at most; the later ones are lost


@dataclass(frozen=True, slots=True)
class ClockStep:
    """From `at_ns` on, stamps are `step_ns` later (negative: earlier)."""

    at_ns: int
    step_ns: int


@dataclass(frozen=True, slots=True)
class Overload:
    """The adapter hands over `rate` frames per second in the mean; what finds its buffer full is lost.

    So nothing is lost where the bus carries less, and the more the higher its load, of all senders.
    """

    start_ns: int
    stop_ns: int
    rate: int
    buffer: int = 32

    @property
    def cost_ns(self) -> int:
        """What a frame takes in the mean."""
        return 1_000_000_000 // self.rate


RecorderFault = Loss | Delay | Stall | ClockStep | Overload


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
        offset_ns: Its clock is ahead by this at simulated time 0.
        drift_ppb: And gains this many ns in each second.
        misreads: It is at a wrong bit rate: every frame is an error to it.
        only: Identifiers that its filter lets through, None: all.
        left_out: Identifiers that its filter holds back.
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
    offset_ns: int = 0
    drift_ppb: int = 0
    misreads: bool = False
    only: frozenset[int] | None = None
    left_out: frozenset[int] = frozenset()


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
        self._backlogs = [(0, 0)] * len(recorder.faults)  # of each overload: ns of work, and when that was

    def take(self, sent: Heard) -> FrameChunk:
        """Return what is recorded of `sent`, the transmissions that follow those of the last call."""
        rows = sent.outcome == Outcome.SENT
        if self._recorder.error_frames:
            rows |= sent.outcome == Outcome.DESTROYED
        sent = sent.take(rows)
        numbers = self._seen + np.arange(len(sent))
        self._seen += len(sent)
        sent, numbers = self._filtered(*self._misread(sent, numbers))
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
            elif isinstance(fault, Overload):
                kept &= self._handed_over(place, fault, t_ns, numbers)
            elif isinstance(fault, Stall) and fault.buffer == 0:
                kept &= ~_within(t_ns, fault)
        return kept

    def _handed_over(
        self, place: int, fault: Overload, t_ns: NDArray[np.int64], numbers: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """Return which frames an adapter that is too slow finds room for."""
        kept = np.ones(len(t_ns), np.bool_)
        rows = np.flatnonzero(_within(t_ns, fault))
        busy = even(self._seed, "adapter", numbers[rows]) < 1 / HICCUP_EVERY
        costs = np.where(busy, HICCUP, HICCUP / (HICCUP_EVERY - 1)) * fault.cost_ns
        work_ns, last_ns = self._backlogs[place]
        for row, now_ns, cost_ns in zip(
            rows.tolist(), t_ns[rows].tolist(), costs.astype(np.int64).tolist(), strict=True
        ):
            work_ns, last_ns = max(0, work_ns - (now_ns - last_ns)), now_ns
            if work_ns > fault.buffer * fault.cost_ns:
                kept[row] = False
            else:
                work_ns += cost_ns
        self._backlogs[place] = work_ns, last_ns
        return kept

    def _misread(self, sent: Heard, numbers: NDArray[np.int64]) -> tuple[Heard, NDArray[np.int64]]:
        """Return `sent` as it is read at a wrong bit rate: an error for each frame, or nothing."""
        recorder = self._recorder
        if not recorder.misreads:
            return sent, numbers
        if not recorder.error_frames:
            return sent.take(slice(0, 0)), numbers[:0]
        n = len(sent)
        error = np.zeros((n, sent.error.shape[1]), sent.error.dtype)
        error[:, 0] = ErrorKind.STUFF
        error[:, 1] = 1 + even_ns(self._seed, "misread", numbers, LATEST_MISREAD_BIT - 1)
        return replace(sent, outcome=np.full(n, Outcome.DESTROYED, np.int64), error=error), numbers

    def _filtered(self, sent: Heard, numbers: NDArray[np.int64]) -> tuple[Heard, NDArray[np.int64]]:
        """Return what passes the filter; error frames have no identifier, and pass."""
        only, left_out = self._recorder.only, self._recorder.left_out
        if only is None and not left_out:
            return sent, numbers
        can_id = sent.frames.can_id
        passes = ~np.isin(can_id, sorted(left_out))
        if only is not None:
            passes &= np.isin(can_id, sorted(only))
        passes |= sent.outcome == Outcome.DESTROYED
        return sent.take(passes), numbers[passes]

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
            if not isinstance(fault, Stall) or fault.buffer == 0:
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
        if recorder.drift_ppb:
            stamps = stamps + stamps // 1000 * recorder.drift_ppb // 1_000_000
        stamps = recorder.epoch_ns + recorder.offset_ns + stamps
        return stamps - stamps % recorder.resolution_ns


def _within(t_ns: NDArray[np.int64], fault: Loss | Delay | Stall | Overload) -> NDArray[np.bool_]:
    return (t_ns >= fault.start_ns) & (t_ns < fault.stop_ns)
