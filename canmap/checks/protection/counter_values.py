"""Rolling counters that stand still, jump, or take a value that they never should."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from canmap.base.words import times
from canmap.checks.check import EpisodeCheck
from canmap.findings.episodes import GOOD_BETWEEN, Episodes
from canmap.findings.finding import Place, Severity
from canmap.findings.kinds import COUNTER
from canmap.signals.sequences import Wrong

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.findings.finding import Finding
    from canmap.payload.counters import RollingCounter
    from canmap.signals.counted import OddCounters
    from canmap.signals.promised import PromisedCounter
    from canmap.stream.view import View


ROUNDS = 3  # of a counter in which a fault has to recur before the spec is taken to be wrong


class CounterCheck(EpisodeCheck[None]):
    """Judges one sort of what counters tell; its subjects are the counters that the spec promises.

    Attributes:
        wrong: The sort.
        parted_by: Good frames that end a finding.
        across_holes: Whether it says of a frame behind a hole, too, how it follows the one before.
    """

    wrong: ClassVar[Wrong]
    parted_by: ClassVar[int] = GOOD_BETWEEN
    across_holes: ClassVar[bool] = True

    def __init__(self, setting: Setting) -> None:
        self._counters = setting.counters
        self._slots = [
            [setting.plan.columns[column].slot for column in one.columns] for one in self._counters.promised
        ]
        buses = setting.spec.buses
        self._channels = [buses[one.rules[0].bus].channel for one in self._counters.promised]
        self._behind_hole: set[int] = set()  # counters of which no frame has come since a hole
        self._episodes = Episodes(self._describe, self._excess, self.parted_by)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the counters of one chunk."""
        odd = view.prepared.odd_counters
        cut = {hole.channel for hole in view.holes} if not self.across_holes else ()
        self._behind_hole |= {number for number, channel in enumerate(self._channels) if channel in cut}
        for number in sorted({*odd, *self._episodes.open_subjects, *self._behind_hole}):
            rows = self._counters.rows(number, view.prepared.arrived)
            if len(rows):
                self._fold_counter(view, number, rows, odd.get(number))
                self._behind_hole.discard(number)
        return self._episodes.events()

    def _until_ns(self, end: End, subject: int) -> int:
        return max(int(end.timeline.until_ns[slot]) for slot in self._slots[subject])

    def _faulty(self, odd: OddCounters) -> NDArray[np.bool_]:
        """Return bool[k], which of the odd frames have what is looked for."""
        faulty: NDArray[np.bool_] = odd.wrong == self.wrong
        return faulty

    def _value(self, odd: OddCounters) -> NDArray[np.int64]:
        """Return int64[k], what a finding tells of each of the odd frames."""
        return odd.detail

    def _tally(self, odd: OddCounters) -> NDArray[np.int64]:
        """Return int64[k, t], what else a finding counts of each of the odd frames."""
        return np.zeros((len(odd.rows), 0), np.int64)

    def _excess(self, _number: int, value: float) -> float:
        return value

    @abstractmethod
    def _describe(self, episode: Episode) -> Finding:
        """Return the finding of an episode."""

    def _fold_counter(self, view: View, number: int, rows: NDArray[np.intp], odd: OddCounters | None) -> None:
        faulty, good = np.zeros(len(rows), np.bool_), np.ones(len(rows), np.bool_)
        value, tally = np.zeros(len(rows), np.int64), np.zeros((len(rows), 0), np.int64)
        if odd is not None:
            at = rows.searchsorted(odd.rows)
            faulty[at] = self._faulty(odd)
            good[at] = ~faulty[at] & (odd.wrong != Wrong.UNREAD)
            value[at] = self._value(odd)
            of_odd = self._tally(odd)
            tally = np.zeros((len(rows), of_odd.shape[1]), np.int64)
            tally[at] = of_odd
        if number in self._behind_hole and faulty[0]:
            faulty[0], good[0] = False, True
        if number not in self._episodes.open_subjects and not faulty.any():
            return

        def worst(first: int, last: int) -> float:
            inside = value[first : last + 1][faulty[first : last + 1]]
            return self._episodes.worse(number, int(inside.min()), int(inside.max()))

        def counted(first: int, last: int) -> tuple[int, ...]:
            inside = tally[first : last + 1][faulty[first : last + 1]]
            return tuple(inside.sum(axis=0).tolist())

        came = sum(int(view.timeline.seen[slot]) for slot in self._slots[number])
        self._episodes.judge(
            subject=number,
            seen=came - len(rows),
            faulty=faulty,
            good=good,
            clock=view.clock[rows],
            worst=worst,
            line=lambda first: int(view.prepared.chunk.line[rows[first]]),
            tally=counted,
        )

    def _promised(self, episode: Episode) -> PromisedCounter:
        return self._counters.promised[episode.subject]


def place_of_counter(one: PromisedCounter) -> Place:
    """Return what findings about a counter are about; one that several messages share is of their bus."""
    rule = one.rules[0]
    if len(one.rules) > 1 or rule.counter is None:
        return Place(bus=rule.bus)
    return Place(bus=rule.bus, message=rule.message.name, signal=rule.counter.signal.signal)


def in_stretches(episode: Episode) -> str:
    """Return what a sentence adds where it counts stretches that are not listed."""
    return f" in {times(episode.more, 'more stretch')} that are not listed" if episode.more else ""


def in_facts(episode: Episode, **more: float) -> dict[str, float]:
    """Return what `in_stretches` says, and more, by name."""
    return {"stretches": episode.more, **more} if episode.more else more


class RepeatedCounter(CounterCheck):
    """Finds frames with the counter of the one before: a sender or a gateway is stuck, or sends twice."""

    kinds = (COUNTER,)
    wrong = Wrong.REPEATED

    def _describe(self, episode: Episode) -> Finding:
        one = self._promised(episode)
        frames, counter = times(episode.count, "frame"), int(episode.worst)
        if episode.more:
            text = f"{frames} of {one.name} repeated their counter{in_stretches(episode)}; they are not used."
        elif episode.count == 1:
            text = f"A frame of {one.name} repeated the counter {counter} of the one before; it is not used."
        elif episode.last - episode.first + 1 == episode.count:
            stands = "stands" if episode.still else "stood"
            text = f"The counter of {one.name} {stands} at {counter}: {frames} repeated it and are not used."
        else:
            text = f"{frames} of {one.name} repeated the counter of the frame before and are not used."
        found = episode.finding(COUNTER, place_of_counter(one), text, value=float(counter))
        return replace(found, facts=in_facts(episode))


class JumpingCounter(CounterCheck):
    """Finds counters that go further than lost frames explain, or back; one jump alone is a warning."""

    kinds = (COUNTER,)
    wrong = Wrong.JUMPED
    across_holes = False

    def _describe(self, episode: Episode) -> Finding:
        one = self._promised(episode)
        steps, values = int(episode.worst), one.counting.ring.values
        once = episode.count == 1  # then a recorder that was late with all frames may have lost some
        how = (
            f" by {steps}"
            if once
            else f" {times(episode.count, 'time')}{in_stretches(episode)}, by up to {steps}"
        )
        text = (
            f"The counter of {one.name} jumped{how} of its {values} values, "
            "which frames lost in that time do not explain."
        )
        found = episode.finding(
            *(COUNTER, place_of_counter(one), text),
            value=float(steps),
            limit=float(one.counting.largest),
            severity=Severity.WARNING if once else COUNTER.severity,
        )
        return replace(found, facts=in_facts(episode, values=values))


class StrangeCounter(CounterCheck):
    """Finds values that a counter never should take.

    Where its round is not as the spec says, they come once in each: so a round of 8 bits parts two findings.
    """

    kinds = (COUNTER,)
    wrong = Wrong.NEVER_SENT
    parted_by = 256

    def _describe(self, episode: Episode) -> Finding:
        one = self._promised(episode)
        value, ring = int(episode.worst), one.counting.ring
        often = f" in {times(episode.count, 'frame')}" if episode.count > 1 else ""
        was = f"up to {value}" if often and value > ring.last else f"{value}"
        always = " from the start" if episode.from_start and episode.still else ""
        text = (
            f"The counter of {one.name} was {was}{often}{in_stretches(episode)}{always}; "
            f"it goes from {ring.first} to {ring.last}"
        )
        text += " without it" if ring.first < value < ring.last else ""
        rounds = (episode.last - episode.first) // ring.values
        if rounds >= ROUNDS and 2 * episode.count >= rounds:  # it came again and again, as part of the round
            text += f": check its {_doubtful_key(value, ring)}"
        text += "."
        found = episode.finding(
            COUNTER, place_of_counter(one), text, value=float(value), limit=float(ring.last)
        )
        return replace(found, facts=in_facts(episode, first=ring.first))


def _doubtful_key(value: int, ring: RollingCounter) -> str:
    """Return the key of the spec that is likely wrong where a value out of the round comes once in each."""
    if value > ring.last:
        return "`wrap`"
    return "`start`" if value < ring.first else "`step` and `reserved`"
