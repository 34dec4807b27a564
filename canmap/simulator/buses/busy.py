"""Simulator: when a bus is busy, from the releases only, and in which order it sends.

In: all releases of a run, as columns. Out: busy periods, with every start of frame as it is if nothing goes
wrong. A bus that sends whenever something waits is busy from when to when, whatever the order in which it
sends: so the periods follow from a running sum and a running maximum (D. Lindley, Proc. Cambridge Phil. Soc.
48 (1952) 277). In most periods arbitration changes nothing about the order of release; in the others a short
loop arbitrates. Marked are those whose frames could collide, get lost in a queue or be held up in one.
"""

from __future__ import annotations

from heapq import heappop, heappush
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import FrameKind
from canmap.simulator.buses.frame_bits import INTERMISSION, wire_lengths

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.buses.network import BusConfig, Node
    from canmap.simulator.buses.traffic import Traffic


@dataclass(frozen=True, slots=True)
class BusyPeriods:
    """Releases ordered by time, then by arbitration, and the periods in which the bus is busy with them.

    Attributes:
        frames: The frames; `t_ns` is when they are released.
        node: int64[n].
        serial: int64[n], place in the order of release.
        span_ns: int64[n], time on the bus without the intermission.
        start_ns: int64[n], start of frame; not meant where `asked`.
        first: intp[periods + 1], the row with which each period begins, and n.
        begin_ns: int64[periods], when each begins.
        asked: bool[periods], `Bus` must be asked what happens in it.
        until_ns: When the simulation ends.
    """

    frames: FrameChunk
    node: NDArray[np.int64]
    serial: NDArray[np.intp]
    span_ns: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    first: NDArray[np.intp]
    begin_ns: NDArray[np.int64]
    asked: NDArray[np.bool_]
    until_ns: int

    def __len__(self) -> int:
        return len(self.begin_ns)

    def edge_ns(self, period: int) -> int:
        """Return when `period` begins; behind the last, the end of the simulation."""
        return int(self.begin_ns[period]) if period < len(self) else self.until_ns


def busy_periods(config: BusConfig, traffic: Traffic, until_ns: int) -> BusyPeriods:
    """Return how a bus is busy with what is released before `until_ns`.

    Raises:
        UsageError: A release names a node that the bus has not, or a frame that no bus could carry.
    """
    order, key, serial = _ordered(config, traffic, until_ns)
    frames, node = traffic.frames.take(order), traffic.node[order]
    nominal, data = wire_lengths(frames)
    span_ns = nominal * config.bit_ns + data * config.data_bit_ns
    taken_ns = span_ns + INTERMISSION * config.bit_ns
    before_ns = np.cumsum(taken_ns) - taken_ns  # what all frames before it take
    start_ns = before_ns + np.maximum.accumulate(frames.t_ns - before_ns)
    begins = start_ns == frames.t_ns
    first = np.append(np.flatnonzero(begins), len(order))
    rows = _Rows(key, node, serial, np.cumsum(begins) - 1)
    unordered = _unordered(rows, frames.t_ns, start_ns, len(first) - 1)
    asked = _twins(rows, len(first) - 1)
    for index, one in enumerate(config.nodes):
        asked |= _held_up(rows, index, one, unordered)
    for period in np.flatnonzero(unordered & ~asked).tolist():
        span = slice(first[period], first[period + 1])
        start_ns[span] = _arbitrated(frames.t_ns[span].tolist(), key[span].tolist(), taken_ns[span].tolist())
    return BusyPeriods(
        frames, node, serial, span_ns, start_ns, first, frames.t_ns[first[:-1]], asked, until_ns
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    key: NDArray[np.int64]
    node: NDArray[np.int64]
    serial: NDArray[np.intp]
    period: NDArray[np.intp]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> _Rows:
        return _Rows(self.key[rows], self.node[rows], self.serial[rows], self.period[rows])


def _ordered(
    config: BusConfig, traffic: Traffic, until_ns: int
) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.intp]]:
    """Return the rows of `traffic` by time, then by arbitration, their arbitration keys and serials."""
    frames, node = traffic.frames, traffic.node
    config.check_nodes((int(node.min()), int(node.max())) if len(node) else (), "a release")
    can_id, remote = frames.can_id.astype(np.int64), frames.kind == FrameKind.REMOTE
    extended = (can_id >> 18) << 21 | 0b11 << 19 | (can_id & 0x3FFFF) << 1 | remote
    key = np.where(frames.extended, extended, can_id << 21 | remote.astype(np.int64) << 20)
    serial = np.empty(len(node), np.intp)
    serial[np.argsort(frames.t_ns, kind="stable")] = np.arange(len(node))
    order = np.lexsort((key, frames.t_ns))
    order = order[frames.t_ns[order] < until_ns]
    return order, key[order], serial[order]


def _unordered(
    rows: _Rows, t_ns: NDArray[np.int64], start_ns: NDArray[np.int64], periods: int
) -> NDArray[np.bool_]:
    """Return bool[periods]: a frame is overtaken by one released after it.

    If of no two neighbours the second waits when the first starts, and would win, then of no two frames.
    """
    overtaken = (t_ns[1:] <= start_ns[:-1]) & (rows.key[1:] < rows.key[:-1])
    return _marked(rows.period[1:][overtaken], periods)


def _twins(rows: _Rows, periods: int) -> NDArray[np.bool_]:
    """Return bool[periods]: two nodes send the same identifier in it."""
    key, one_of = np.unique(rows.key, return_inverse=True)
    lowest, highest = np.full(len(key), 1 << 62), np.full(len(key), -1)
    np.minimum.at(lowest, one_of, rows.node)
    np.maximum.at(highest, one_of, rows.node)
    some = rows.take((lowest < highest)[one_of])
    some = some.take(np.lexsort((some.node, some.key, some.period)))
    same = (some.key[1:] == some.key[:-1]) & (some.period[1:] == some.period[:-1])
    return _marked(some.period[1:][same & (some.node[1:] != some.node[:-1])], periods)


def _held_up(rows: _Rows, index: int, node: Node, unordered: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return bool[periods]: the queue of a node can lose a frame in it, or let one wait that would win."""
    periods = len(unordered)
    held = np.zeros(periods, np.bool_)
    mine = rows.take(rows.node == index)
    count = np.bincount(mine.period, minlength=periods)
    if node.mailboxes is not None:
        same = mine.period[1:] == mine.period[:-1]
        held |= unordered & (count > 1)
        held |= _marked(mine.period[1:][same & (mine.serial[1:] < mine.serial[:-1])], periods)
    if node.capacity is not None:
        held |= count > node.capacity
    if node.replaces:
        some = mine.take(np.lexsort((mine.key, mine.period)))
        same = (some.period[1:] == some.period[:-1]) & (some.key[1:] == some.key[:-1])
        held |= _marked(some.period[1:][same], periods)
    return held


def _marked(periods: NDArray[np.intp], count: int) -> NDArray[np.bool_]:
    marked = np.zeros(count, np.bool_)
    marked[periods] = True
    return marked


def _arbitrated(t_ns: list[int], key: list[int], taken_ns: list[int]) -> list[int]:
    """Return the starts of frame of one busy period, by arbitration; the rows are ordered by time."""
    waiting: list[tuple[int, int]] = []
    start_ns = [0] * len(t_ns)
    now_ns, row = t_ns[0], 0
    for _ in t_ns:
        while row < len(t_ns) and t_ns[row] <= now_ns:
            heappush(waiting, (key[row], row))
            row += 1
        winner = heappop(waiting)[1]
        start_ns[winner] = now_ns
        now_ns += taken_ns[winner]
    return start_ns
