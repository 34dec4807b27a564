"""A sink that gets the steps when they are due, where the run is ahead of its pace."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canmap.stream.sink import About, Sink, Step
    from canmap.timing.pace import Pace


class OnTimeSink:
    """Hands each step to another sink when the session clock after it is due.

    Args:
        sink: That other one.
        pace: Says when that is.
    """

    def __init__(self, sink: Sink, pace: Pace) -> None:
        self._sink, self._pace = sink, pace

    def open(self, about: About) -> None:
        """Open the other sink."""
        self._sink.open(about)

    def write(self, step: Step) -> None:
        """Have it written at its moment."""
        self._pace.at(step.now_ns, partial(self._sink.write, step))

    def close(self, *, whole: bool) -> None:
        """Have all written that still waits, at once where the run failed, and close the other sink."""
        try:
            self._pace.run_out(at_once=not whole)
        finally:
            self._sink.close(whole=whole)
