"""2. Frames that a recorder wrote down twice.

In come the frames of a chunk and the bit rates of their channels, out go those that are identical to the
frame before on their channel and come sooner after it than they take to send. The direction does not count:
a computer that hears its own frames records each as sent and as received.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import FLAG_RECEIVED, FLAG_SENT, FrameKind, join
from canmap.signals.shortest import shortest_ns

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from canmap.frames.chunks import FrameChunk

_NO_ROWS, _NO_GAPS = np.zeros(0, np.intp), np.zeros(0, np.int64)
_UNLIKE = np.uint8(0xFF & ~(FLAG_RECEIVED | FLAG_SENT))  # flags that make frames different


@dataclass(frozen=True, slots=True)
class BitRates:
    """Bit rates of a bus in bit/s; that of the fast phase of FD frames is None where it is not known."""

    bit_rate_bps: int
    data_bit_rate_bps: int | None


@dataclass(frozen=True, slots=True)
class Repeats:
    """The repeated frames of a chunk.

    Attributes:
        rows: intp[k], which frames they are, by channel.
        gap_ns: int64[k], how much later than the frame that they repeat their stamps are.
        ends: For each channel with a bit rate, its first and last frame in the chunk.
    """

    rows: NDArray[np.intp]
    gap_ns: NDArray[np.int64]
    ends: Mapping[str, tuple[int, int]]


def repeats(chunk: FrameChunk, rates: Mapping[str, BitRates]) -> Repeats:
    """Return the repeated frames of a chunk, as far as the chunk by itself shows.

    Args:
        chunk: The frames.
        rates: By channel; a channel without is not judged.
    """
    found: list[NDArray[np.intp]] = []
    gaps: list[NDArray[np.int64]] = []
    ends = {}
    for number, name in enumerate(chunk.channels):
        rate = rates.get(name)
        if rate is None or not len(chunk):
            continue
        rows = None if len(chunk.channels) == 1 else (chunk.channel == number).nonzero()[0]
        if rows is not None and not len(rows):
            continue
        ends[name] = (0, len(chunk) - 1) if rows is None else (int(rows[0]), int(rows[-1]))
        later, gap_ns = _repeated(chunk, rows, rate)
        if len(later):
            found.append(later)
            gaps.append(gap_ns)
    if not found:
        return Repeats(_NO_ROWS, _NO_GAPS, ends)
    return Repeats(np.concatenate(found), np.concatenate(gaps), ends)


def with_first(
    chunk: FrameChunk, found: Repeats, newest: Mapping[str, FrameChunk], rates: Mapping[str, BitRates]
) -> Repeats:
    """Return the repeated frames of a chunk, those among them that repeat the frame before the chunk.

    Args:
        chunk: The frames.
        found: Those that the chunk by itself shows.
        newest: The frame before it on each channel, a chunk of one.
        rates: By channel.
    """
    rows: list[int] = []
    gaps: list[int] = []
    for channel, (first, _) in found.ends.items():
        before = newest.get(channel)
        if before is None or before.can_id[0] != chunk.can_id[first]:
            continue
        repeated = repeats(join([before, chunk.take(slice(first, first + 1))]), rates)
        if len(repeated.rows):
            rows.append(first)
            gaps.append(int(repeated.gap_ns[0]))
    if not rows:
        return found
    whole_gaps = np.concatenate((np.array(gaps, np.int64), found.gap_ns))
    return Repeats(np.concatenate((np.array(rows, np.intp), found.rows)), whole_gaps, found.ends)


def newest_frames(
    chunk: FrameChunk, found: Repeats, newest: Mapping[str, FrameChunk]
) -> dict[str, FrameChunk]:
    """Return the newest frame of each channel with a bit rate, a chunk of one each, after a chunk."""
    last = {name: chunk.take(slice(row, row + 1)) for name, (_, row) in found.ends.items()}
    return {**newest, **last}


def _repeated(
    chunk: FrameChunk, rows: NDArray[np.intp] | None, rate: BitRates
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Repeated frames among `rows`, the frames of one channel; None for all frames."""
    can_id = chunk.can_id if rows is None else chunk.can_id[rows]
    place = (can_id[1:] == can_id[:-1]).nonzero()[0]
    if not len(place):
        return _NO_ROWS, _NO_GAPS
    earlier, later = (place, place + 1) if rows is None else (rows[place], rows[place + 1])
    gap_ns = chunk.t_ns[later] - chunk.t_ns[earlier]
    same = (chunk.kind[later] == chunk.kind[earlier]) & (chunk.kind[later] != FrameKind.ERROR)
    same &= chunk.extended[later] == chunk.extended[earlier]
    same &= chunk.length[later] == chunk.length[earlier]
    same &= (chunk.flags[later] ^ chunk.flags[earlier]) & _UNLIKE == 0
    same &= np.abs(gap_ns) < shortest_ns(chunk, later, rate.bit_rate_bps, rate.data_bit_rate_bps)
    earlier, later, gap_ns = earlier[same], later[same], gap_ns[same]
    same = (chunk.payload[later] == chunk.payload[earlier]).all(axis=1)
    return later[same], gap_ns[same]
