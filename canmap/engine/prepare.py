"""The pure half of the engine: what can be worked out of a chunk and of what came shortly before it.

Parsed frames come in. `decode` finds what they tell by themselves: slots and decoded samples. `prepare` finds
with what came `Before` them which failed, and what those that did not fail tell: extremes, joins and what the
checks prepare. Both may run in any thread. `after` alone goes from chunk to chunk, in order and quickly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.distinct import first_of_each
from canmap.frames.chunks import FrameKind
from canmap.signals.before import Before
from canmap.signals.decoded import Decoded
from canmap.signals.extract import extract
from canmap.signals.prepared import HIGHEST, LOWEST, Prepared
from canmap.signals.protected import broken_frames
from canmap.signals.repeats import newest_frames, repeats, with_first
from canmap.signals.sequences import Wrong
from canmap.timing.newest import latest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Check, Setting
    from canmap.frames.chunks import FrameChunk
    from canmap.signals.counted import OddCounters
    from canmap.signals.extract import Samples

_NO_ROWS = np.zeros(0, np.intp)


class Preparer:
    """Prepares chunks; holds only constants, so that any number of threads may share it.

    Args:
        setting: Of the decode plan, of bit rates, counters and checksums.
        channels: Channel of each bus, in the plan's order.
        joins: The (stamp slot, group) pairs that records need.
        checks: Each gets to prepare its part.

    Attributes:
        start: What came before the first chunk: nothing.
    """

    def __init__(
        self,
        setting: Setting,
        channels: Sequence[str],
        joins: Sequence[tuple[int, int]],
        checks: Sequence[Check[Any]],
    ) -> None:
        self._plan, self._rates = setting.plan, setting.rates
        self._counters, self._checksums = setting.counters, setting.checksums
        self._bus_of = {channel: bus for bus, channel in enumerate(channels)}
        self._joins = tuple(joins)
        self._checks = tuple(checks)
        self.start = Before({}, self._counters.start)

    def decode(self, chunk: FrameChunk) -> Decoded:
        """Find what the chunk tells by itself."""
        repeated = repeats(chunk, self._rates)
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
        protected = self._checksums.judged(chunk, samples)
        return Decoded(
            chunk=chunk,
            bus=bus,
            slot=slot,
            samples=samples,
            repeats=repeated,
            protected=protected,
            broken=broken_frames(len(chunk), protected),
            error_frames=error_frames,
            remote_frames=remote_frames,
        )

    def after(self, decoded: Decoded, before: Before) -> Before:
        """Return what the chunk after this one needs to know."""
        known = self._without_repeats_of_last(decoded, before)
        counters = self._counters.after(known, before.counters)
        return Before(newest_frames(known.chunk, known.repeats, before.newest), counters)

    def prepare(self, decoded: Decoded, before: Before) -> Prepared:
        """Prepare a chunk, of which `before` is what came before it."""
        known = self._without_repeats_of_last(decoded, before)
        chunk, arrived = known.chunk, known.samples
        odd = self._counters.odd(known, before.counters)
        failed = _failed(known.broken, odd)
        samples = arrived
        if len(failed):
            gone = np.zeros(len(chunk), np.bool_)
            gone[failed] = True
            samples = arrived.without(gone)
        low, high = self._extremes(samples)
        prepared = Prepared(
            chunk=chunk,
            bus=known.bus,
            slot=known.slot,
            arrived=arrived,
            samples=samples,
            failed=failed,
            protected=known.protected,
            odd_counters=odd,
            low=low,
            high=high,
            joins={pair: latest(samples, *pair) for pair in self._joins},
            channel_counts=np.bincount(chunk.channel, minlength=len(chunk.channels)),
            error_frames=known.error_frames,
            remote_frames=known.remote_frames,
            repeats=known.repeats,
        )
        return replace(prepared, parts=tuple(check.prepare(prepared) for check in self._checks))

    def _without_repeats_of_last(self, decoded: Decoded, before: Before) -> Decoded:
        """Return what is known of a chunk once the frames before it are, which its first may repeat."""
        repeated = with_first(decoded.chunk, decoded.repeats, before.newest, self._rates)
        more = len(repeated.rows) - len(decoded.repeats.rows)
        if not more:
            return decoded
        gone = np.zeros(len(decoded.chunk), np.bool_)
        gone[repeated.rows[:more]] = True
        samples = decoded.samples.without(gone)
        return replace(
            decoded,
            bus=np.where(gone, np.int16(-1), decoded.bus),
            slot=np.where(gone, np.int32(-1), decoded.slot),
            samples=samples,
            repeats=repeated,
            protected=self._checksums.judged(decoded.chunk, samples),
            broken=None if decoded.broken is None else decoded.broken & ~gone,
        )

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


def _failed(broken: NDArray[np.bool_] | None, odd: Mapping[int, OddCounters]) -> NDArray[np.intp]:
    """Return the frames whose checksum is wrong or that repeat their counter, ascending."""
    rows = [one.rows[one.wrong == Wrong.REPEATED] for one in odd.values()]
    if broken is not None:
        rows.append(broken.nonzero()[0])
    if not rows:
        return _NO_ROWS
    joined = np.concatenate(rows)
    return joined[first_of_each(joined)]
