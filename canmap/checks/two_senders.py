"""Messages that two nodes send: their frames are two sequences, each in turn by itself.

A counter tells it: each frame is the next of one of two counts. Without one the times do, where the two rows
of frames do not stand half a period apart: every other gap is short, and two of them are a period. At half a
period, frames without a counter cannot be told from those of one sender twice as quick: that is a rate.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import number, seconds
from canmap.checks.check import Check
from canmap.checks.counter_values import place_of_counter
from canmap.checks.interleaved import Interleaved
from canmap.findings.episodes import Episode, Episodes, Told
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import TWO_SENDERS
from canmap.mapping.model import Trigger
from canmap.signals.extract import counts
from canmap.signals.sequences import Wrong

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.mapping.model import MessageRule
    from canmap.signals.counted import OddCounters
    from canmap.stream.view import View

QUICK = 0.9  # of a period: a gap that is shorter is between two senders
KEPT = 0.1  # of a period: two gaps together are off it by no more
UNEVEN = 0.2  # of a period: two gaps that follow each other differ by more
ROWS = 20  # such gaps in a row that are no chance
OFTEN = 0.75  # of a period: the mean time between frames of two senders is less
PARTED_BY = 100  # frames


@dataclass(slots=True)
class Pairs:
    """Gaps of one message that are short by turns, as far as they go.

    Attributes:
        gap_ns: The newest gap.
        first: Ordinal of the first frame of the row.
        start_ns: Its session clock.
        count: Gaps of the row.
        short_ns: The shortest of them.
    """

    gap_ns: int
    first: int = 0
    start_ns: int = 0
    count: int = 0
    short_ns: int = 0


class TwoSenders(Check[None]):
    """Finds messages of which a second sender sends frames too."""

    kinds = (TWO_SENDERS,)

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._counters = setting.counters
        self._open: dict[int, Interleaved] = {}  # by counter
        self._pairs: dict[int, Pairs] = {}  # by stream
        self._period_ns = np.array([_judged_period_ns(rule) for rule in setting.rules], np.int64)
        self._by_count = Episodes(self._describe_count, parted_by=PARTED_BY)
        self._by_time = Episodes(self._describe_time, lambda _, short_ns: -short_ns, PARTED_BY)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Follow the sequences of one chunk."""
        odd = view.prepared.odd_counters
        for counter in sorted({*odd, *self._open}):
            one = self._counters.promised[counter]
            if len(one.columns) == 1 and one.selector is None and not one.on_change:
                self._fold_counter(view, counter, odd.get(counter))
        self._fold_times(view)
        for episodes in (self._by_count, self._by_time):
            episodes.events()
        return []

    def finish(self, end: End) -> list[Event]:
        """Tell all that was found."""
        for counter in list(self._open):
            self._close(counter, still=True)
        for stream, pairs in list(self._pairs.items()):
            self._close_pairs(
                stream, pairs, int(end.timeline.seen[stream]), int(end.timeline.last_ns[stream])
            )
        return [Told(finding) for finding in self.findings()]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._by_count.findings(), *self._by_time.findings()]

    def _fold_counter(self, view: View, counter: int, odd: OddCounters | None) -> None:
        """Follow one counter from its first frame on that is not the next."""
        samples, one = view.prepared.arrived, self._counters.promised[counter]
        column = self._setting.plan.columns[one.columns[0]]
        rows = samples.positions(one.columns[0])
        numbers = counts(samples.values(one.columns[0]), column.kind).astype(np.int64)
        place = one.counting.ring.places(numbers)
        if odd is not None:
            place[rows.searchsorted(odd.rows[odd.wrong == Wrong.UNREAD])] = -1
        seen = int(view.timeline.seen[column.slot]) - len(rows)
        starts = [] if odd is None else rows.searchsorted(odd.rows).tolist()
        clock = view.clock[rows]
        at = 0
        while at < len(rows):
            if counter not in self._open:
                at = next((start for start in starts if start >= at and place[start] >= 0), len(rows))
                if at == len(rows):
                    break
                span = seen + at, int(clock[at])
                counting = one.counting
                self._open[counter] = Interleaved(counting.ring.values, counting.stride, *span, *span)
            if place[at] >= 0 and not self._open[counter].take(int(place[at]), seen + at, int(clock[at])):
                self._close(counter)
            at += 1

    def _close(self, counter: int, *, still: bool = False) -> None:
        """End what a counter tells, and keep it where there were two senders."""
        told = self._open.pop(counter)
        period_ns = self._counters.promised[counter].counting.period_ns
        lasted_ns = told.end_ns - told.start_ns
        often = not period_ns or lasted_ns < OFTEN * period_ns * (told.last - told.first)
        if told.are_two and often:
            span = told.first, told.last, told.start_ns, told.end_ns
            self._by_count.add(Episode(counter, *span, told.frames, 0.0, still=still))

    def _fold_times(self, view: View) -> None:
        arrivals = view.arrivals
        if not len(arrivals.clock):
            return
        quick_ns = QUICK * self._period_ns
        some = np.minimum.reduceat(arrivals.gap, arrivals.start) < quick_ns[arrivals.streams]
        unmeasured = arrivals.unmeasured()
        some |= np.isin(arrivals.streams, list(self._pairs))
        for place in some.nonzero()[0].tolist():
            stream, start = int(arrivals.streams[place]), int(arrivals.start[place])
            own = slice(start, start + int(arrivals.count[place]))
            gap_ns = arrivals.gap[own].copy()
            if unmeasured is not None:
                inside = unmeasured[(unmeasured >= own.start) & (unmeasured < own.stop)]
                gap_ns[inside - start] = self._period_ns[stream]
            self._fold_stream(stream, gap_ns, arrivals.clock[own], int(arrivals.seen[place]))

    def _fold_stream(
        self, stream: int, gap_ns: NDArray[np.int64], clock: NDArray[np.int64], seen: int
    ) -> None:
        """Follow the gaps of one message."""
        period_ns = int(self._period_ns[stream])
        pairs = self._pairs.pop(stream, None) or Pairs(period_ns)
        is_quick = gap_ns < QUICK * period_ns
        last_is_quick = bool(is_quick[-1])
        quick = is_quick.nonzero()[0]
        at = quick[1:][quick[1:] - quick[:-1] == 1]
        if is_quick[0] and pairs.gap_ns < QUICK * period_ns:
            at = np.concatenate(([0], at))
        before_ns = np.where(at > 0, gap_ns[at - 1], pairs.gap_ns)
        is_pair = np.abs(gap_ns[at] + before_ns - period_ns) <= KEPT * period_ns
        is_pair &= np.abs(gap_ns[at] - before_ns) >= UNEVEN * period_ns
        at, before_ns = at[is_pair], before_ns[is_pair]
        goes_on = at[:1].tolist() == [0]
        if pairs.count and not goes_on:
            self._close_pairs(stream, pairs, seen, int(clock[0] - gap_ns[0]))
        firsts = np.concatenate((at[:1], at[1:][np.diff(at) > 1]))
        lasts = np.concatenate((at[:-1][np.diff(at) > 1], at[-1:]))
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            short_ns = int(gap_ns[first : last + 1].min())
            if first or not pairs.count:
                ahead_ns = int(gap_ns[first] + before_ns[at.searchsorted(first)])
                pairs = Pairs(0, seen + first, int(clock[first]) - ahead_ns, 0, short_ns)
            pairs.count += last - first + 1
            pairs.short_ns = min(pairs.short_ns, short_ns)
            if last + 1 < len(gap_ns):
                self._close_pairs(stream, pairs, seen + last + 1, int(clock[last]))
                pairs = Pairs(0)
        if last_is_quick:
            pairs.gap_ns = int(gap_ns[-1])
            self._pairs[stream] = pairs if len(at) and lasts[-1] + 1 == len(gap_ns) else Pairs(pairs.gap_ns)

    def _close_pairs(self, stream: int, pairs: Pairs, ordinal: int, end_ns: int) -> None:
        """End a row of gaps with the frame before one, and keep it where it is no chance."""
        if pairs.count >= ROWS:
            span = pairs.first, ordinal - 1, pairs.start_ns, end_ns
            self._by_time.add(Episode(stream, *span, pairs.count, pairs.short_ns))

    def _describe_count(self, episode: Episode) -> Finding:
        one = self._counters.promised[episode.subject]
        place = replace(place_of_counter(one), signal=None)
        text = f"{one.name} has two senders: its counter goes on in two sequences by turns, each in order"
        found = episode.finding(TWO_SENDERS, place, f"{text}, in {number(episode.count)} frames.")
        return replace(found, facts={"told_by": "counter"})

    def _describe_time(self, episode: Episode) -> Finding:
        rule, short_ns = self._setting.rules[episode.subject], int(episode.worst)
        period_ns = int(self._period_ns[episode.subject])
        text = (
            f"{rule.name} has two senders: its frames come in two rows, each every {seconds(period_ns)}, "
            f"as little as {seconds(short_ns)} apart."
        )
        place = Place(bus=rule.bus, message=rule.message.name)
        found = episode.finding(TWO_SENDERS, place, text, value=short_ns / 1e9, limit=period_ns / 1e9)
        return replace(found, facts={"told_by": "time"})


def _judged_period_ns(rule: MessageRule) -> int:
    """The promised period of a cyclic message without a counter, as a whole; 0 for what is not judged."""
    is_judged = rule.trigger is Trigger.CYCLIC and rule.selected is None and rule.counter is None
    return rule.period_ns or 0 if is_judged else 0
