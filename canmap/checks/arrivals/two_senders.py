"""Messages that two nodes send: their frames are two sequences, each in turn by itself.

A counter tells it: each frame is the next of one of two counts. Without one the times do: every other gap is
short, two of them are a period, and the frames are not the same ones a second time. Where the two rows of
frames stand half a period apart, all gaps are equal, as those of one sender that is twice as quick: that is
told as two senders where the message also comes once a period. Without that, it is a rate.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import number, seconds
from canmap.checks.arrivals.gap_rows import QUICK, ROWS, GapRows, Gaps
from canmap.checks.arrivals.interleaved import Interleaved
from canmap.checks.check import Check
from canmap.checks.protection.counter_values import place_of_counter
from canmap.findings.episodes import Episode, Episodes, Told
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import TWO_SENDERS
from canmap.mapping.model import Trigger
from canmap.signals.extract import counts
from canmap.signals.sequences import Wrong

if TYPE_CHECKING:
    from canmap.checks.arrivals.gap_rows import GapRow
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.mapping.model import MessageRule
    from canmap.signals.counted import OddCounters
    from canmap.stream.view import View

OFTEN = 0.75  # of a period: the mean time between frames of two senders is less
PARTED_BY = 100  # frames
ALIKE = 1 / 3  # of the frames say what the one before does: they are copies of it, or nothing moves


class TwoSenders(Check[None]):
    """Finds messages of which a second sender sends frames too."""

    kinds = (TWO_SENDERS,)

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._counters = setting.counters
        self._open: dict[int, Interleaved] = {}  # by counter
        self._period_ns = np.array([_judged_period_ns(rule) for rule in setting.rules], np.int64)
        self._uneven = GapRows(self._period_ns, even=False)
        of_copies = np.array([rule.relay_of is not None for rule in setting.rules], np.bool_)
        # A gateway passes on twice as many of a message that comes twice as often.
        self._even = GapRows(np.where(of_copies, 0, self._period_ns), even=True)
        self._seen = np.zeros(len(setting.rules), np.int64)  # frames of each stream
        self._quick = np.zeros(len(setting.rules), np.int64)  # those behind a short gap
        self._by_count = Episodes(self._describe_count, parted_by=PARTED_BY)
        self._by_time = Episodes(self._describe_time, lambda _, short_ns: -short_ns, PARTED_BY)
        self._by_halves = Episodes(self._describe_halves, lambda _, short_ns: -short_ns, PARTED_BY)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Follow the sequences of one chunk."""
        odd = view.prepared.odd_counters
        for counter in sorted({*odd, *self._open}):
            one = self._counters.promised[counter]
            if len(one.columns) == 1 and one.selector is None and not one.on_change:
                self._fold_counter(view, counter, odd.get(counter))
        self._fold_times(view)
        for episodes in (self._by_count, self._by_time, self._by_halves):
            episodes.events()
        return []

    def finish(self, end: End) -> list[Event]:
        """Tell all that was found."""
        for counter in list(self._open):
            self._close(counter, still=True)
        for rows in (self._uneven, self._even):
            for stream in sorted(rows.open):
                last, last_ns = int(end.timeline.seen[stream]) - 1, int(end.timeline.last_ns[stream])
                self._take(stream, rows, rows.finish(stream, last, last_ns))
        return [Told(finding) for finding in self.findings()]

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        sure = list(self._by_time.findings())
        halves = [
            one
            for one in self._by_halves.findings()
            if self._comes_once_too(one.stream or 0) and not any(_is_meanwhile(one, other) for other in sure)
        ]
        return [*self._by_count.findings(), *sure, *halves]

    def _comes_once_too(self, stream: int) -> bool:
        """Whether a message also came without a second frame in a period."""
        return bool(self._seen[stream] - self._quick[stream] > ROWS)

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
        clock, payload = view.clock[rows], view.prepared.chunk.payload
        at = 0
        while at < len(rows):
            if counter not in self._open:
                at = next((start for start in starts if start >= at and place[start] >= 0), len(rows))
                if at == len(rows):
                    break
                span = seen + at, int(clock[at])
                counting = one.counting
                self._open[counter] = Interleaved(counting.ring.values, counting.stride, *span, *span)
            content = payload[rows[at]].tobytes()
            told = int(place[at]), seen + at, int(clock[at]), content
            if place[at] >= 0 and not self._open[counter].take(*told):
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
        self._seen[arrivals.streams] = arrivals.seen + arrivals.count
        quick_ns = QUICK * self._period_ns
        some = np.minimum.reduceat(arrivals.gap, arrivals.start) < quick_ns[arrivals.streams]
        unmeasured = arrivals.unmeasured()
        some |= np.isin(arrivals.streams, [*self._uneven.open, *self._even.open])
        for place in some.nonzero()[0].tolist():
            stream, start = int(arrivals.streams[place]), int(arrivals.start[place])
            own = slice(start, start + int(arrivals.count[place]))
            gap_ns = arrivals.gap[own].copy()
            if unmeasured is not None:
                inside = unmeasured[(unmeasured >= own.start) & (unmeasured < own.stop)]
                gap_ns[inside - start] = self._period_ns[stream]
            samples = view.prepared.arrived
            rows = samples.rows[samples.slot_start[stream] : samples.slot_start[stream + 1]]
            payload = view.prepared.chunk.payload[rows]
            gaps = Gaps(gap_ns, arrivals.clock[own], payload, int(arrivals.seen[place]))
            self._quick[stream] += int((gap_ns < quick_ns[stream]).sum())
            for one in (self._uneven, self._even):
                self._take(stream, one, one.fold(stream, gaps))

    def _take(self, stream: int, of: GapRows, ended: list[GapRow]) -> None:
        """Take rows that ended for what they are."""
        for row in ended:
            if row.alike > ALIKE * row.count:
                continue
            episodes = self._by_halves if of is self._even else self._by_time
            span = row.first, row.last, row.start_ns, row.end_ns
            episodes.add(Episode(stream, *span, row.count, row.short_ns))

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

    def _describe_halves(self, episode: Episode) -> Finding:
        rule, period_ns = self._setting.rules[episode.subject], int(self._period_ns[episode.subject])
        text = (
            f"{rule.name} has two senders: its frames come in two rows, each every {seconds(period_ns)}, "
            "half of that apart; one sender that became twice as quick would look the same."
        )
        place = Place(bus=rule.bus, message=rule.message.name)
        found = episode.finding(
            TWO_SENDERS, place, text, value=int(episode.worst) / 1e9, limit=period_ns / 1e9
        )
        return replace(found, facts={"told_by": "halves"}, stream=episode.subject)


def _is_meanwhile(one: Finding, other: Finding) -> bool:
    """Whether two findings are about one message at one time."""
    return one.place == other.place and one.start_ns <= other.end_ns and other.start_ns <= one.end_ns


def _judged_period_ns(rule: MessageRule) -> int:
    """The promised period of a cyclic message without a counter, as a whole; 0 for what is not judged."""
    is_judged = rule.trigger is Trigger.CYCLIC and rule.selected is None and rule.counter is None
    return rule.period_ns or 0 if is_judged else 0
