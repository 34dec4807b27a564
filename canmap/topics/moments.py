"""Moments of the session clock at which something goes out that no frame brings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

BEFORE_FRAMES, AFTER_FRAMES = -1, 1 << 62  # in place of the number of a frame


class Ticks:
    """A grid of moments, counted from the start of the session.

    Args:
        start_ns: Session clock of the first frame; the first moment is one period later.
        period_ns: From one to the next.
    """

    def __init__(self, start_ns: int, period_ns: int) -> None:
        self._next_ns, self._period_ns = start_ns + period_ns, period_ns

    def until(self, now_ns: int) -> NDArray[np.int64]:
        """Return those that have come, int64[n], `now_ns` included, since it was asked before."""
        moments = np.arange(self._next_ns, now_ns + 1, self._period_ns, dtype=np.int64)
        self._next_ns += len(moments) * self._period_ns
        return moments
