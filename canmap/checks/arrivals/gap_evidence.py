"""What is known of a sender over each silence of its message: what its timer did, and its counter.

No fault by itself, but evidence for why the message was silent: facts of the silence.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.signals.sequences import Wrong
from canmap.timing.timers import Count, OverGap, Timer

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.finding import Facts
    from canmap.stream.view import View

MOST = 1000  # silences of which it is kept
COUNTS = {Wrong.RESTARTED: Count.ANEW, Wrong.REPEATED: Count.STOOD, Wrong.JUMPED: Count.OTHERWISE}


@dataclass(slots=True)
class GapEvidence:
    """What timers and counters did over silences, by stream and session clock of the last frame before.

    Attributes:
        timers: What the timers did.
        counts: What the counters did.
    """

    timers: dict[tuple[int, int], OverGap] = field(default_factory=dict)
    counts: dict[tuple[int, int], Count] = field(default_factory=dict)

    def facts(self, stream: int, start_ns: int) -> Facts:
        """Return what is known of one silence, by name."""
        facts: dict[str, str | float] = {}
        told = self.timers.get((stream, start_ns))
        if told is not None:
            facts["timer"] = told.timer.value
            if told.timer in {Timer.RAN_ON, Timer.STARTED_ANEW}:
                facts |= {"periods": round(told.periods, 3), "by_chance": round(told.chance, 4)}
        count = self.counts.get((stream, start_ns))
        return facts if count is None else {**facts, "counter": count.value}

    def keep_timer(self, stream: int, start_ns: int, told: OverGap) -> None:
        """Keep what a timer did."""
        if len(self.timers) < MOST:
            self.timers[stream, start_ns] = told

    def keep_count(self, stream: int, start_ns: int, count: Count) -> None:
        """Keep what a counter did."""
        if len(self.counts) < MOST:
            self.counts[stream, start_ns] = count


class CounterOverGaps:
    """Finds what counters did over silences.

    Args:
        setting: Of the counters; those that count the frames of one message are looked at.
    """

    def __init__(self, setting: Setting) -> None:
        self._number = {
            setting.plan.columns[one.columns[0]].slot: number
            for number, one in enumerate(setting.counters.promised)
            if len(one.columns) == 1 and one.selector is None and not one.on_change
        }

    def over(self, view: View, stream: int, places: NDArray[np.intp]) -> list[tuple[int, Count]]:
        """Return what the counter of a message did before some of its frames in a chunk.

        Args:
            view: The chunk.
            stream: The message.
            places: Which of its frames in the chunk, ascending.

        Returns:
            Of those where it is known: the place, and what the counter did.
        """
        number = self._number.get(stream)
        if number is None:
            return []
        samples, odd = view.prepared.arrived, view.prepared.odd_counters.get(number)
        rows = samples.rows[samples.slot_start[stream] + places]
        known: list[tuple[int, Count]] = []
        for place, row in zip(places.tolist(), rows.tolist(), strict=True):
            at = -1 if odd is None else int(odd.rows.searchsorted(row))
            if odd is None or at == len(odd.rows) or odd.rows[at] != row:
                known.append((place, Count.BY_ONE))
            elif odd.wrong[at] == Wrong.NOTHING and odd.lost[at]:
                known.append((place, Count.BY_LOST))
            elif (wrong := Wrong(int(odd.wrong[at]))) in COUNTS:
                known.append((place, COUNTS[wrong]))
        return known
