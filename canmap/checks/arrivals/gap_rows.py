"""Rows of short gaps of one message, two of them together a promised period: two frames where one is due.

Gaps that are short and long by turns are `uneven`; where all are about half a period, they are even.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

QUICK = 0.9  # of a period: a gap that is shorter is between two senders
KEPT = 0.1  # of a period: two gaps together are off it by no more
UNEVEN = 0.2  # of a period: two gaps that follow each other differ by more
EVEN = 0.3  # of a period: they are about equal where they differ by less; between the two they may be either
ROWS = 20  # such gaps in a row that are no chance


@dataclass(frozen=True, slots=True)
class Gaps:
    """The n frames that a chunk has of one message.

    Attributes:
        gap_ns: int64[n], time since the frame before each.
        clock: int64[n], session clock of each.
        payload: uint8[n, bytes].
        seen: Frames of the message before the chunk.
    """

    gap_ns: NDArray[np.int64]
    clock: NDArray[np.int64]
    payload: NDArray[np.uint8]
    seen: int


@dataclass(slots=True)
class GapRow:
    """A row as far as it goes.

    Attributes:
        gap_ns: The newest gap.
        payload: That of the newest frame.
        first: Ordinal of the first frame of the row.
        start_ns: Its session clock.
        count: Gaps of the row.
        short_ns: The shortest of them.
        alike: Frames of it that say what the frame before said.
        last: Ordinal of its last frame, once it has ended.
        end_ns: Its session clock.
    """

    gap_ns: int
    payload: bytes = b""
    first: int = 0
    start_ns: int = 0
    count: int = 0
    short_ns: int = 0
    alike: int = 0
    last: int = 0
    end_ns: int = 0


class GapRows:
    """Follows the rows of all messages.

    Args:
        period_ns: int64[streams], the promised period of each, 0 for those that are not judged.
        even: Whether the gaps of a row are about equal, or short and long by turns.

    Attributes:
        open: What is known of messages whose newest gap is short, by stream.
    """

    def __init__(self, period_ns: NDArray[np.int64], *, even: bool) -> None:
        self._period_ns, self._even = period_ns, even
        self.open: dict[int, GapRow] = {}

    def fold(self, stream: int, gaps: Gaps) -> list[GapRow]:
        """Follow the gaps of one message; return the rows that ended and are no chance."""
        period_ns, gap_ns = int(self._period_ns[stream]), gaps.gap_ns
        row = self.open.pop(stream, None) or GapRow(period_ns)
        at, before_ns = self._pairs(gap_ns, row.gap_ns, period_ns)
        ended: list[GapRow] = []
        if row.count and at[:1].tolist() != [0]:
            ended.append(_ended(row, gaps.seen - 1, int(gaps.clock[0] - gap_ns[0])))
            row = GapRow(row.gap_ns, row.payload)
        alike = self._alike(gaps, row)
        parts = np.diff(at) > 1
        firsts, lasts = np.concatenate((at[:1], at[1:][parts])), np.concatenate((at[:-1][parts], at[-1:]))
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            short_ns = int(gap_ns[first : last + 1].min())
            if first or not row.count:
                ahead_ns = int(gap_ns[first] + before_ns[at.searchsorted(first)])
                row = GapRow(0, b"", gaps.seen + first, int(gaps.clock[first]) - ahead_ns, 0, short_ns)
            row.count += last - first + 1
            row.short_ns = min(row.short_ns, short_ns)
            row.alike += int(alike[first : last + 1].sum())
            if last + 1 < len(gap_ns):
                ended.append(_ended(row, gaps.seen + last, int(gaps.clock[last])))
                row = GapRow(0)
        if gap_ns[-1] < QUICK * period_ns:
            goes_on = len(at) > 0 and int(lasts[-1]) + 1 == len(gap_ns)
            row = row if goes_on else GapRow(0)
            row.gap_ns, row.payload = int(gap_ns[-1]), gaps.payload[-1].tobytes()
            self.open[stream] = row
        return [one for one in ended if one.count >= ROWS]

    def finish(self, stream: int, last: int, end_ns: int) -> list[GapRow]:
        """End the row of a message with its last frame; return it where it is no chance."""
        row = _ended(self.open.pop(stream), last, end_ns)
        return [row] if row.count >= ROWS else []

    def _pairs(
        self, gap_ns: NDArray[np.int64], newest_ns: int, period_ns: int
    ) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """The short gaps behind a short one that are of a row, and the gaps before them."""
        quick = (gap_ns < QUICK * period_ns).nonzero()[0]
        at = quick[1:][quick[1:] - quick[:-1] == 1]
        if quick[:1].tolist() == [0] and newest_ns < QUICK * period_ns:
            at = np.concatenate(([0], at))
        before_ns = np.where(at > 0, gap_ns[at - 1], newest_ns)
        is_pair = np.abs(gap_ns[at] + before_ns - period_ns) <= KEPT * period_ns
        apart_ns = np.abs(gap_ns[at] - before_ns)
        is_pair &= apart_ns < EVEN * period_ns if self._even else apart_ns >= UNEVEN * period_ns
        return at[is_pair], before_ns[is_pair]

    @staticmethod
    def _alike(gaps: Gaps, row: GapRow) -> NDArray[np.bool_]:
        """Which frames say what the frame before says."""
        alike = np.zeros(len(gaps.clock), np.bool_)
        alike[1:] = (gaps.payload[1:] == gaps.payload[:-1]).all(axis=1)
        alike[0] = row.payload == gaps.payload[0].tobytes()
        return alike


def _ended(row: GapRow, last: int, end_ns: int) -> GapRow:
    row.last, row.end_ns = last, end_ns
    return row
