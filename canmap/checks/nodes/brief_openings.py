"""Openings of the stop loop that an event tells, and that no sample of the loop shows: too short for it.

The sample before the event and the one after it both say that the loop is closed, with no gap between them.
Several events between the same two samples are one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.checks.nodes.stop_onsets import StopOnset, line_of
from canmap.signals.extract import among

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.checks.check import Setting
    from canmap.checks.common.bit_course import BitSamples
    from canmap.mapping.refs import Requirement
    from canmap.stream.view import View


class BriefOpenings:
    """Follows the events that tell of an opening.

    Args:
        opened: The signal, and its values that tell of one.
        setting: Whose decode plan it is.
    """

    def __init__(self, opened: Requirement, setting: Setting) -> None:
        ref = opened.ref
        self._column = setting.plan.column_of[ref.bus, ref.message, ref.signal]
        self._kind, self._accepts = setting.plan.columns[self._column].kind, opened.accepts
        self._open: StopOnset | None = None  # behind the newest sample of the loop

    def take(self, view: View, loop: BitSamples, wait: Callable[[StopOnset], None], reach_ns: int) -> None:
        """Let the openings of a chunk wait, and mark those that a sample of the loop shows as explained.

        Args:
            view: The chunk.
            loop: Its samples of the loop.
            wait: Takes an opening.
            reach_ns: How long after one what explains it may still show.
        """
        if self._open is not None and len(loop.rows) > 1:
            self._open.maybe |= not _stayed_closed(loop, 1)
            self._open = None
        samples = view.prepared.samples
        told = among(samples.values(self._column), self._kind, self._accepts)
        before = -1  # place of the sample of the loop behind the last one
        for row in samples.positions(self._column)[told].tolist():
            after = int(loop.rows.searchsorted(row))
            if after == before or (after == len(loop.rows) and self._open is not None):
                continue
            before, clock_ns = after, int(view.clock[row])
            onset = StopOnset(clock_ns, clock_ns, clock_ns, line_of(view, row), clock_ns + reach_ns)
            if after < len(loop.rows):
                onset.maybe = not _stayed_closed(loop, after)
            else:
                self._open = onset
            wait(onset)


def _stayed_closed(loop: BitSamples, after: int) -> bool:
    """Whether a sample of the loop and the one before it say that it is closed, with no gap between them."""
    both = loop.told[after - 1] and loop.told[after] and not (loop.on[after - 1] or loop.on[after])
    return bool(both and loop.clock[after] - loop.clock[after - 1] <= loop.holds_ns)
