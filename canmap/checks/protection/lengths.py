"""Payloads that are not as long as described."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import Episode, Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.frames.chunks import FD_LENGTHS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Event
    from canmap.signals.prepared import Prepared
    from canmap.stream.view import View

LENGTH = Kind("length", Severity.ERROR)


class LengthCheck(EpisodeCheck["NDArray[np.bool_]"]):
    """Judges whether payloads are as long as described."""

    kinds = (LENGTH,)

    def __init__(self, setting: Setting) -> None:
        self._plan = setting.plan
        lengths = [slot.length for slot in self._plan.slots]
        self._lengths = np.array(lengths, np.uint16)
        # An FD payload is padded to the next length that the format has (ISO 11898-1, DLC coding).
        padded = [next((end for end in FD_LENGTHS if end >= length), length) for length in lengths]
        self._padded = np.array(padded, np.uint16)
        self._episodes = Episodes(self._describe, self._excess)

    def prepare(self, prepared: Prepared) -> NDArray[np.bool_] | None:
        """Return bool[m] in slot order, which payloads have a wrong length; None where none has."""
        samples = prepared.arrived
        counts = samples.slot_start[1:] - samples.slot_start[:-1]
        length = prepared.chunk.length[samples.rows]
        wrong = length != self._lengths.repeat(counts)
        if not wrong.any():
            return None
        wrong &= length != self._padded.repeat(counts)
        return wrong if wrong.any() else None

    def fold(self, view: View, wrong: NDArray[np.bool_] | None) -> list[Event]:
        """Judge the payloads of one chunk."""
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

    def _fold_slot(self, view: View, slot: int, seen: int, frames: slice, faulty: np.ndarray) -> None:
        clock = view.arrivals.clock[frames]
        rows = view.prepared.arrived.rows[frames]
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
