"""Simulator: what the recorder of a vehicle makes of its buses: one capture, or one of each.

In: transmissions of each bus. Out: chunks of frames in the order in which the recorder gets them.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import join
from canmap.simulator.buses.batch import joined
from canmap.simulator.buses.loose_plug import PluggedRecording
from canmap.simulator.buses.recorder import Loss, Recorder, Recording
from canmap.simulator.buses.recorder_setup import FAR_CHANNEL
from canmap.simulator.buses.traffic import columns_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.recorder import RecorderFault
    from canmap.simulator.buses.traffic import Sent
    from canmap.simulator.cart.world import Setup

EPOCH_NS = 1_760_000_000 * 1_000_000_000
NEVER_NS = 1 << 62
LATENCY_NS = 50_000  # from the end of a frame to its stamp


def recordings(setup: Setup) -> list[Recording]:
    """Return the recorder at work on each bus; the last one is the far one, if there is one."""
    how, kind = setup.plan.recording, setup.kind
    channels = kind.channels[::-1] if how.swapped else kind.channels
    near: list[Recording] = [
        PluggedRecording(
            Recorder(
                channel,
                EPOCH_NS,
                batch_ns=how.batch_ns,
                latency_ns=LATENCY_NS,
                jitter_ns=how.jitter_ns,
                resolution_ns=how.raster_ns,
                error_frames=how.error_frames,
                faults=tuple(fault for fault in setup.plan.recorder if _strikes(fault, bus.name)),
                offset_ns=how.offset_ns * number,
                drift_ppb=how.drift_ppb * number,
                misreads=bus.name in how.misread,
                only=how.only,
                left_out=frozenset(how.left_out),
            ),
            setup.seed + number,
            [plug for plug in how.loose if plug.bus == bus.name],
        )
        for number, (channel, bus) in enumerate(zip(channels, kind.buses, strict=True))
    ]
    if how.far is None:
        return near
    offset_ns, drift_ppb = how.far.offset_ns, how.far.drift_ppb
    far = Recorder(
        FAR_CHANNEL,
        EPOCH_NS,
        latency_ns=LATENCY_NS,
        jitter_ns=how.jitter_ns,
        resolution_ns=how.raster_ns,
        error_frames=how.error_frames,
        offset_ns=offset_ns,
        drift_ppb=drift_ppb,
    )
    return [*near, Recording(far, setup.seed + len(near))]


def _strikes(fault: RecorderFault, bus: str) -> bool:
    return not isinstance(fault, Loss) or fault.bus in {None, bus}


class RecordedTogether:
    """Records all buses, and hands on their frames in the order in which the recorder gets them."""

    def __init__(self, setup: Setup) -> None:
        self._recordings = recordings(setup)
        self._cuts = sorted(setup.plan.cuts)
        self._waiting = [columns_of([]) for _ in self._recordings]
        self._until_ns = 0

    def recorded(self, sent: list[Sent], *, final: bool = False) -> Iterator[FrameChunk]:
        """Take what was sent next on each bus; yield what no bus can add to any more."""
        sent = sent[: len(self._recordings)]
        self._waiting = [joined([before, new]) for before, new in zip(self._waiting, sent, strict=True)]
        newest = [int(each.frames.t_ns.max(initial=0)) for each in self._waiting]
        settled_ns = NEVER_NS if final else max(self._until_ns, min(newest))
        edges = [cut for cut in self._cuts if self._until_ns < cut < settled_ns]
        for start_ns, stop_ns in pairwise([self._until_ns, *edges, settled_ns]):
            spans = [_between(each, start_ns, stop_ns) for each in self._waiting]
            yield merged(
                [recording.take(each) for recording, each in zip(self._recordings, spans, strict=True)]
            )
        self._waiting = [_between(each, settled_ns, NEVER_NS) for each in self._waiting]
        self._until_ns = settled_ns


def with_clocks(setup: Setup, pieces: Iterable[FrameChunk]) -> Iterator[FrameChunk]:
    """Yield what was recorded; by two clocks, once it is all there, in the order of its stamps."""
    if not setup.plan.recording.two_clocks:
        yield from pieces
        return
    whole = join(list(pieces))
    yield merged([whole.take(whole.channel == number) for number in range(len(whole.channels))])


def _between(sent: Sent, start_ns: int, stop_ns: int) -> Sent:
    t_ns = sent.frames.t_ns
    return sent.take((t_ns >= start_ns) & (t_ns < stop_ns))


def merged(chunks: list[FrameChunk]) -> FrameChunk:
    """Put the channels' frames together by their stamps, none before another of its own channel."""
    both = join(chunks)
    keys = [np.maximum.accumulate(chunk.t_ns) for chunk in chunks]
    whole = both.take(np.argsort(np.concatenate(keys), kind="stable"))
    return replace(whole, line=np.arange(1, len(whole) + 1))
