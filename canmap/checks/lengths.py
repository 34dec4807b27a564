"""Payloads that are not as long as described."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.findings.episodes import Episode, Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from canmap.findings.episodes import Event
    from canmap.signals.plan import DecodePlan
    from canmap.stream.view import View
    from canmap.timing.arrivals import Timeline

LENGTH = Kind("length", Severity.ERROR)


class LengthCheck:
    """Judges whether payloads are as long as described.

    Args:
        plan: The decode plan.
    """

    kinds = (LENGTH,)

    def __init__(self, plan: DecodePlan) -> None:
        self._plan = plan
        self._episodes = Episodes(self._describe, self._excess)
        self._timeline: Timeline | None = None

    def fold(self, view: View) -> list[Event]:
        """Judge the payloads of one chunk."""
        self._timeline = view.timeline
        wrong = view.prepared.wrong_length
        arrivals = view.arrivals
        for place, slot in enumerate(arrivals.streams.tolist()):
            if slot >= len(self._plan.slots) or (wrong is None and not self._episodes.open_subjects):
                break
            begin = int(arrivals.start[place])
            stop = begin + int(arrivals.count[place])
            faulty = np.zeros(stop - begin, np.bool_) if wrong is None else wrong[begin:stop]
            if slot in self._episodes.open_subjects or faulty.any():
                self._fold_slot(view, slot, int(arrivals.seen[place]), slice(begin, stop), faulty)
        return self._episodes.events()

    def finish(self) -> list[Event]:
        """Close what is open."""
        timeline = self._timeline
        self._episodes.finish(lambda slot: int(timeline.until_ns[slot]) if timeline else 0)
        return self._episodes.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._episodes.findings())

    def _fold_slot(self, view: View, slot: int, seen: int, frames: slice, faulty: np.ndarray) -> None:
        clock = view.arrivals.clock[frames]
        rows = view.prepared.samples.rows[frames]
        length = view.prepared.chunk.length[rows]
        self._episodes.judge(
            subject=slot,
            seen=seen,
            faulty=faulty,
            good=~faulty,
            clock=clock,
            worst=lambda first, last: self._episodes.worse(
                slot, *(int(f(length[first : last + 1][faulty[first : last + 1]])) for f in (np.min, np.max))
            ),
            line=lambda first: int(view.prepared.chunk.line[rows[first]]),
        )

    def _excess(self, slot: int, length: float) -> float:
        return abs(length - self._plan.slots[slot].length)

    def _describe(self, episode: Episode) -> Finding:
        slot = self._plan.slots[episode.subject]
        always = episode.from_start and episode.still
        had, when = ("has", " from the start") if always else ("had", "")
        if episode.more:
            when = f" in {times(episode.more, 'more stretch')} that are not listed"
        what = "the signals that fit are used" if episode.worst < slot.length else "the rest is not used"
        size = times(int(episode.worst), "byte")
        return episode.finding(
            LENGTH,
            Place(bus=slot.bus_name, message=slot.message.name),
            value=float(episode.worst),
            limit=float(slot.length),
            text=f"{slot.message.name} {had} {size} instead of {slot.length}{when}; {what}.",
        )
