"""Cyclic messages that come too often or too seldom.

The frames of a message are counted in tumbling windows of the longer of 20 promised intervals and 1 s, from
its first frame or from the end of its last silence. The mean period of a window is measured from its first
frame to the first of the next, so that batches of stamps do not disturb it.

Windows find a wrong rate; where it begins and ends is told by the gaps that are off (`offgaps.py`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import seconds, times
from canmap.checks.arrivals.silence import NEVER
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.offgaps import TOLERATED, OffGaps
from canmap.findings.episodes import Episode, Episodes
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import RATE
from canmap.mapping.model import Trigger

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.offgaps import OffSpans
    from canmap.findings.episodes import Event
    from canmap.stream.view import View
    from canmap.timing.arrivals import Arrivals

INTERVALS = 20
SHORTEST_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows that a chunk closed, one entry each.

    Attributes:
        off: Where the gaps that are off lie in each.
        stream: intp[w].
        number: int64[w], counted over all windows of the stream, cut ones included.
        start_ns: int64[w], its first frame.
        end_ns: int64[w], the first frame after it.
        frames: int64[w], frames in it.
    """

    off: OffSpans
    stream: NDArray[np.intp]
    number: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    end_ns: NDArray[np.int64]
    frames: NDArray[np.int64]


class Rate(EpisodeCheck[None]):
    """Judges the mean period of every cyclic message."""

    kinds = (RATE,)

    def __init__(self, setting: Setting) -> None:
        self._rules = rules = setting.rules
        cyclic = [rule.trigger is Trigger.CYCLIC and rule.period_ns is not None for rule in rules]
        self._period_ns = np.array(
            [(rule.period_ns or 0) if yes else 0 for rule, yes in zip(rules, cyclic, strict=True)], np.int64
        )
        self._silence_ns = np.array([rule.stale_after_ns or NEVER for rule in rules], np.int64)
        self._length_ns = np.maximum(INTERVALS * self._period_ns, SHORTEST_NS)
        self._per_ns = np.where(
            cyclic, 1.0 / self._length_ns, 0.0
        )  # windows per ns; 0: one window without end
        streams = len(rules)
        self._anchor_ns = np.zeros(streams, np.int64)  # where the grid of windows begins
        self._window = np.zeros(streams, np.int64)  # which window of the grid is open
        self._start_ns = np.zeros(streams, np.int64)  # its first frame, as clock and as ordinal
        self._start_frame = np.zeros(streams, np.int64)
        self._numbers = np.zeros(streams, np.int64)
        nothing = np.zeros(0, np.int64)
        self._ends = (nothing, nothing, nothing)  # of the newest chunk: streams, numbers and ends of windows
        self._off = OffGaps(self._period_ns)
        self._episodes = Episodes(self._describe, self._excess, parted_by=1)  # neighbours merge

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the windows that this chunk closes."""
        if len(view.arrivals.clock):
            self._judge(self._close_windows(view.arrivals))
        return self._episodes.events()

    def finish(self, end: End) -> list[Event]:
        """Close the open findings; an unfinished window is not judged."""
        timeline = end.timeline
        going_on = timeline.goes_on & (timeline.silence_ns <= self._silence_ns)
        for stream in self._episodes.open_subjects:
            if going_on[stream]:
                self._episodes.mark_still(stream, int(timeline.until_ns[stream]))
        return super().finish(end)

    def _close_windows(self, arrivals: Arrivals) -> Windows:
        streams, start, clock = arrivals.streams, arrivals.start, arrivals.clock
        longest_ns = np.maximum.reduceat(arrivals.gap, start)
        if (longest_ns > self._silence_ns[streams]).any():
            reset = arrivals.gap > arrivals.per_frame(self._silence_ns)
        else:
            reset = np.zeros(len(clock), np.bool_)
        reset[start] |= arrivals.seen == 0
        unmeasured = arrivals.unmeasured()
        if unmeasured is not None:
            reset[unmeasured] = True
        anchor = arrivals.per_frame(self._anchor_ns)
        if reset.any():
            # Each frame's grid begins at the newest reset before it in its stream, else where the state says.
            place = np.maximum.accumulate(np.where(reset, np.arange(len(clock)), -1))
            inside = place >= np.repeat(start, arrivals.count)
            anchor = np.where(inside, clock[place], anchor)
        # The half nanosecond keeps a frame where a window begins in it, however 1 / length was rounded.
        window = ((clock - anchor + 0.5) * arrivals.per_frame(self._per_ns)).astype(np.int64)
        begins = np.empty(len(clock), np.bool_)
        np.not_equal(window[1:], window[:-1], out=begins[1:])
        begins[start] = window[start] != self._window[streams]
        begins |= reset
        last = start + arrivals.count - 1
        self._anchor_ns[streams], self._window[streams] = anchor[last], window[last]
        places = np.flatnonzero(begins)
        return self._between(arrivals, places, reset, self._off.fold(arrivals, places, reset, longest_ns))

    def _between(
        self, arrivals: Arrivals, begins: NDArray[np.intp], reset: NDArray[np.bool_], off: OffSpans
    ) -> Windows:
        """The windows that end where another begins, unless a silence cut them short; keeps the open ones."""
        place = np.searchsorted(arrivals.start, begins, side="right") - 1
        stream = arrivals.streams[place]
        clock = arrivals.clock[begins]
        frame = arrivals.seen[place] + begins - arrivals.start[place]
        first = np.ones(len(begins), np.bool_)
        first[1:] = stream[1:] != stream[:-1]
        start_ns, start_frame = np.empty_like(clock), np.empty_like(frame)
        start_ns[1:], start_frame[1:] = clock[:-1], frame[:-1]
        start_ns[first], start_frame[first] = self._start_ns[stream[first]], self._start_frame[stream[first]]
        self._start_ns[stream], self._start_frame[stream] = clock, frame  # the last of each stream stays
        ordinal = np.arange(len(begins)) - np.flatnonzero(first)[np.cumsum(first) - 1]
        number = self._numbers[stream] + ordinal
        self._numbers[stream] = number + 1
        self._ends = (stream, number, clock)
        whole = ~reset[begins]
        columns = (stream, number, start_ns, clock, frame - start_frame)
        return Windows(off.of(whole), *(column[whole] for column in columns))

    def _judge(self, windows: Windows) -> None:
        promised = windows.frames * self._period_ns[windows.stream]
        apart = np.abs(windows.end_ns - windows.start_ns - promised)
        off = (apart * TOLERATED[1] > promised * TOLERATED[0]) & (promised > 0)
        self._end_open(windows, off)  # before a later window closes them
        for i in np.flatnonzero(off).tolist():
            start_ns, end_ns = int(windows.start_ns[i]), int(windows.end_ns[i])
            mean_ns = (end_ns - start_ns) / int(windows.frames[i])
            stream, number = int(windows.stream[i]), int(windows.number[i])
            first_ns, last_ns = self._span(windows, off, i)
            self._episodes.add(
                Episode(
                    *(stream, number, number, first_ns, last_ns, 1, mean_ns),
                    from_start=number == 1 and first_ns == start_ns,
                    known_ns=end_ns,
                ),
                self._end_of(stream),
            )
        for stream in self._episodes.open_subjects:
            self._episodes.settle(stream, None, int(self._numbers[stream]), self._end_of(stream))

    def _span(self, windows: Windows, off: NDArray[np.bool_], i: int) -> tuple[int, int]:
        """Where the rate of a window began to be off, and where it was right again, by its gaps.

        A mean that is off by more than the tolerance has a gap that is. What goes on over a whole window that
        is right on average is how the message comes; then the window's own bound stays.
        """
        stream, start_ns = int(windows.stream[i]), int(windows.start_ns[i])
        first_ns, last_ns = int(windows.off.first_ns[i]), int(windows.off.last_ns[i])
        if start_ns - first_ns >= int(self._length_ns[stream]):
            first_ns = start_ns
        return first_ns, self._right_again(windows, off, i + 1, (stream, int(windows.number[i]), last_ns))

    @staticmethod
    def _right_again(windows: Windows, off: NDArray[np.bool_], after: int, bad: tuple[int, int, int]) -> int:
        """The end of a window (its stream, number, and where it was last off), by what the next one tells."""
        stream, number, last_ns = bad
        if after == len(off) or off[after]:
            return last_ns
        is_next = windows.stream[after] == stream and windows.number[after] == number + 1
        lead_ns = int(windows.off.lead_ns[after])
        if is_next and windows.start_ns[after] == last_ns < lead_ns < windows.end_ns[after]:
            return lead_ns
        return last_ns

    def _end_open(self, windows: Windows, off: NDArray[np.bool_]) -> None:
        """Move the ends of open episodes to where the first windows of this chunk tell that it was."""
        for stream in self._episodes.open_subjects:
            after = int(np.searchsorted(windows.stream, stream))
            episode = self._episodes.open_one(stream)
            if episode.end_ns is not None:
                bad = stream, episode.last, episode.end_ns
                episode.end_ns = self._right_again(windows, off, after, bad)

    def _end_of(self, stream: int) -> Callable[[int], int]:
        """Return what returns the end of a window that the newest chunk has closed, by its number."""

        def end_ns(number: int) -> int:
            streams, numbers, ends_ns = self._ends
            return int(ends_ns[(streams == stream) & (numbers == number)][0])

        return end_ns

    def _excess(self, stream: int, mean_ns: float) -> float:
        return abs(mean_ns - float(self._period_ns[stream]))

    def _describe(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        name, period_ns = rule.name, int(self._period_ns[episode.subject])
        if episode.more:
            what = f"came at a wrong rate {times(episode.more, 'more time')} that are not listed"
        elif episode.still and episode.from_start:
            what = f"comes every {seconds(episode.worst)} on average from the start"
        else:
            what = f"came every {seconds(episode.worst)} on average"
        return episode.finding(
            RATE,
            Place(bus=rule.bus, message=rule.message.name),
            value=episode.worst / 1e9,
            limit=period_ns / 1e9,
            text=f"{name} {what} instead of every {seconds(period_ns)}.",
        )
