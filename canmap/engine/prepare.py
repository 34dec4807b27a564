"""The pure half of the engine: what can be worked out from one chunk alone, in any thread.

Parsed frames come in; slots, decoded samples, extremes, joins and the unknown identifiers go out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.chunks import FLAG_FD, FrameKind
from canmap.signals.extract import extract
from canmap.signals.prepared import HIGHEST, LOWEST, Prepared, Tally
from canmap.signals.repeats import repeats
from canmap.timing.newest import latest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.extract import Samples
    from canmap.signals.plan import DecodePlan
    from canmap.signals.repeats import BitRates, Repeats


EXTENDED_BIT = 1 << 31


FD_LENGTHS = np.array(sorted({*range(9), 12, 16, 20, 24, 32, 48, 64}))


class Preparer:
    """Prepares chunks; holds only constants, so that any number of threads may share it.

    Args:
        plan: The decode plan.
        channels: Channel of each bus, in the plan's order.
        joins: The (stamp slot, group) pairs that records need.
        rates: Bit rates by channel, where they are known.
    """

    def __init__(
        self,
        plan: DecodePlan,
        channels: Sequence[str],
        joins: Sequence[tuple[int, int]],
        rates: Mapping[str, BitRates],
    ) -> None:
        self._plan = plan
        self._rates = rates
        self._bus_of = {channel: bus for bus, channel in enumerate(channels)}
        self._joins = tuple(joins)
        self._grouped = np.array([slot.message.group is not None for slot in plan.slots] or [False])
        self._any_grouped = bool(self._grouped.any())
        self._lengths = np.array([slot.length for slot in plan.slots], np.int64)

    def __call__(self, chunk: FrameChunk, repeated: Repeats | None = None) -> Prepared:
        """Prepare one chunk; `repeated` are its repeated frames where the chunk alone does not tell."""
        repeated = repeats(chunk, self._rates) if repeated is None else repeated
        buses = np.array([self._bus_of.get(name, -1) for name in chunk.channels] or [-1], np.int16)
        bus = buses[chunk.channel]
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
        return Prepared(
            chunk=chunk,
            samples=samples,
            low=low,
            high=high,
            wrong_length=self._wrong_length(chunk, samples),
            joins={pair: latest(samples, *pair) for pair in self._joins},
            unknown=_unknown_ids(chunk, bus, slot),
            channel_counts=np.bincount(chunk.channel, minlength=len(chunk.channels)),
            error_frames=error_frames,
            remote_frames=remote_frames,
            repeats=repeated,
            addresses=self._addresses(chunk, slot),
        )

    def _extremes(self, samples: Samples) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Smallest and largest raw value of every column."""
        columns = len(self._plan.columns)
        low, high = np.full(columns, HIGHEST), np.full(columns, LOWEST)
        present = np.flatnonzero(np.diff(samples.column_start))
        if len(present):
            starts = samples.column_start[present]
            low[present] = np.minimum.reduceat(samples.raw, starts)
            high[present] = np.maximum.reduceat(samples.raw, starts)
        return low, high

    def _wrong_length(self, chunk: FrameChunk, samples: Samples) -> NDArray[np.bool_] | None:
        counts = np.diff(samples.slot_start)
        described = np.repeat(self._lengths, counts)
        length = chunk.length[samples.rows]
        wrong = length != described
        if not wrong.any():
            return None
        # An FD payload is padded to the next length that the format has (ISO 11898-1, DLC coding).
        padded = FD_LENGTHS[np.searchsorted(FD_LENGTHS, described)]
        wrong &= ~((chunk.flags[samples.rows] & FLAG_FD > 0) & (length == padded))
        return wrong if wrong.any() else None

    def _addresses(self, chunk: FrameChunk, slot: NDArray[np.int32]) -> Tally | None:
        if not self._any_grouped:
            return None
        frames = np.flatnonzero((slot >= 0) & self._grouped.take(slot, mode="clip"))
        if not len(frames):
            return None
        keys = slot[frames].astype(np.int64) << 16 | (chunk.can_id[frames] & 0xFFFF)
        return Tally(*_distinct(keys, frames))


def _unknown_ids(chunk: FrameChunk, bus: NDArray[np.int16], slot: NDArray[np.int32]) -> Tally:
    """Identifiers of data frames on a described bus that have no slot."""
    is_unknown = (slot < 0) & (bus >= 0)
    if chunk.kind.any():
        is_unknown &= chunk.kind == FrameKind.DATA
    frames = np.flatnonzero(is_unknown)
    can_id = chunk.can_id[frames]
    if chunk.extended[frames].any():
        keys = bus[frames].astype(np.int64) << 32 | chunk.extended[frames].astype(np.int64) << 31 | can_id
        return Tally(*_distinct(keys, frames))
    return _counted_by_table(bus[frames], can_id, frames)


def _distinct(
    keys: NDArray[np.int64], frames: NDArray[np.intp]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.intp], NDArray[np.intp]]:
    """The different keys of some frames, how many frames have each, the first of those and the last."""
    unique, first, counts = np.unique(keys, return_index=True, return_counts=True)
    last = len(keys) - 1 - np.unique(keys[::-1], return_index=True)[1]
    return unique, counts, frames[first], frames[last]


def _counted_by_table(bus: NDArray[np.int16], can_id: NDArray[np.uint32], frames: NDArray[np.intp]) -> Tally:
    """The same where all identifiers have 11 bits, without sorting: the usual case."""
    keys = can_id.astype(np.intp)
    if len(bus) and bus.max() > 0:
        keys += bus.astype(np.intp) << 11
    counts = np.bincount(keys)
    present = np.flatnonzero(counts)
    first, last = np.empty(len(counts), np.intp), np.empty(len(counts), np.intp)
    last[keys] = frames  # of repeated indices the last assignment stays
    first[keys[::-1]] = frames[::-1]
    named = (present >> 11) << 32 | (present & 0x7FF)
    return Tally(named, counts[present], first[present], last[present])
