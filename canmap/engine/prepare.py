"""The pure half of the engine: what can be worked out from one chunk alone, in any thread.

Parsed frames come in; slots, decoded samples, extremes, joins and what the checks prepare go out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.frames.chunks import FrameKind
from canmap.signals.extract import extract
from canmap.signals.prepared import HIGHEST, LOWEST, Prepared
from canmap.signals.repeats import repeats
from canmap.timing.newest import latest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Check
    from canmap.frames.chunks import FrameChunk
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.signals.repeats import BitRates, Repeats


class Preparer:
    """Prepares chunks; holds only constants, so that any number of threads may share it.

    Args:
        plan: The decode plan.
        channels: Channel of each bus, in the plan's order.
        joins: The (stamp slot, group) pairs that records need.
        rates: Bit rates by channel, where they are known.
        checks: Each gets to prepare its part.
    """

    def __init__(  # what a chunk is prepared with
        self,
        plan: DecodePlan,
        channels: Sequence[str],
        joins: Sequence[tuple[int, int]],
        rates: Mapping[str, BitRates],
        checks: Sequence[Check[Any]],
    ) -> None:
        self._plan = plan
        self._rates = rates
        self._bus_of = {channel: bus for bus, channel in enumerate(channels)}
        self._joins = tuple(joins)
        self._checks = tuple(checks)

    def __call__(self, chunk: FrameChunk, repeated: Repeats | None = None) -> Prepared:
        """Prepare one chunk; `repeated` are its repeated frames where the chunk alone does not tell."""
        repeated = repeats(chunk, self._rates) if repeated is None else repeated
        buses = np.array([self._bus_of.get(name, -1) for name in chunk.channels] or [-1], np.int16)
        bus = buses.take(chunk.channel)
        slot = self._plan.slots_of(bus, chunk.can_id, chunk.extended)
        error_frames = remote_frames = 0
        if chunk.kind.any():
            slot = np.where(chunk.kind == FrameKind.DATA, slot, -1)
            error_frames = int(np.count_nonzero(chunk.kind == FrameKind.ERROR))
            remote_frames = int(np.count_nonzero(chunk.kind == FrameKind.REMOTE))
        if len(repeated.rows):
            slot[repeated.rows] = -1
            bus[repeated.rows] = -1
        samples = extract(self._plan, chunk.payload, chunk.length, slot)
        low, high = self._extremes(samples)
        prepared = Prepared(
            chunk=chunk,
            bus=bus,
            slot=slot,
            samples=samples,
            low=low,
            high=high,
            joins={pair: latest(samples, *pair) for pair in self._joins},
            channel_counts=np.bincount(chunk.channel, minlength=len(chunk.channels)),
            error_frames=error_frames,
            remote_frames=remote_frames,
            repeats=repeated,
        )
        return replace(prepared, parts=tuple(check.prepare(prepared) for check in self._checks))

    def _extremes(self, samples: Samples) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Smallest and largest raw value of every column."""
        columns = len(self._plan.columns)
        low, high = np.full(columns, HIGHEST), np.full(columns, LOWEST)
        present = (samples.column_start[1:] > samples.column_start[:-1]).nonzero()[0]
        if len(present):
            starts = samples.column_start[present]
            low[present] = np.minimum.reduceat(samples.raw, starts)
            high[present] = np.maximum.reduceat(samples.raw, starts)
        return low, high
