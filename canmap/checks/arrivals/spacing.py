"""Messages that come sooner after their last frame than promised.

A sender that sends on a change waits a minimum gap, so that a signal that rattles does not fill the bus.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import seconds, times
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.offgaps import TOLERATED
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import RATE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.stream.view import View


class Spacing(EpisodeCheck[None]):
    """Judges the gap before every frame of a message with a minimum gap.

    A gap that is too short by no more than the tolerance of a period is the jitter of bus and recorder.
    """

    kinds = (RATE,)

    def __init__(self, setting: Setting) -> None:
        self._rules = rules = setting.rules
        kept = 1 - TOLERATED[0] / TOLERATED[1]
        self._least_ns = np.array([round((rule.minimum_gap_ns or 0) * kept) for rule in rules], np.int64)
        self._any = bool(self._least_ns.any())
        self._episodes = Episodes(self._describe, lambda _stream, gap_ns: -gap_ns)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the gaps of one chunk."""
        if not self._any:
            return []
        arrivals = view.arrivals
        close = arrivals.gap < arrivals.per_frame(self._least_ns)
        unmeasured = arrivals.unmeasured()
        if unmeasured is not None:
            close[unmeasured] = False
        for place, stream in enumerate(arrivals.streams.tolist()):
            frames = slice(int(arrivals.start[place]), int(arrivals.start[place] + arrivals.count[place]))
            if stream in self._episodes.open_subjects or close[frames].any():
                self._fold_stream(view, place, close[frames], arrivals.gap[frames])
        return self._episodes.events()

    def _fold_stream(self, view: View, place: int, close: NDArray[np.bool_], gap: NDArray[np.int64]) -> None:
        arrivals = view.arrivals
        start = int(arrivals.start[place])
        self._episodes.judge(
            subject=int(arrivals.streams[place]),
            seen=int(arrivals.seen[place]),
            faulty=close,
            good=~close,
            clock=arrivals.clock[start : start + len(close)],
            worst=lambda first, last: int(gap[first : last + 1][close[first : last + 1]].min()),
            line=lambda _first: 0,
        )

    def _describe(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        least_ns = rule.minimum_gap_ns or 0
        if episode.more:
            came = f"came too soon in {times(episode.more, 'more place')} that are not listed"
        elif episode.count == 1:
            came = f"came {seconds(episode.worst)} after the frame before"
        else:
            count = times(episode.count, "time")
            came = f"came too soon {count}, as little as {seconds(episode.worst)} after the frame before"
        return episode.finding(
            RATE,
            Place(bus=rule.bus, message=rule.message.name),
            value=episode.worst / 1e9,
            limit=least_ns / 1e9,
            text=f"{rule.name} {came}; its minimum gap is {seconds(least_ns)}.",
        )
