"""Messages that are expected but do not come (missing), and messages that fall silent (stale)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.checks.episodes import GOOD_BETWEEN, Episode, Episodes, faulty_runs
from canmap.checks.finding import Finding, Kind, Place, Severity
from canmap.checks.words import seconds, times
from canmap.spec.model import Trigger

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.arrivals import Arrivals, Timeline
    from canmap.checks.episodes import Event
    from canmap.checks.view import View
    from canmap.spec.model import MessageRule

NEVER = np.iinfo(np.int64).max


class Silence:
    """Judges the gaps between the frames of every message, and the frames that never came.

    Args:
        rules: One rule a slot.
        needed: bool[slots], a record is made from the message, so it is expected even where unpromised.
    """

    def __init__(self, rules: Sequence[MessageRule], needed: Sequence[bool]) -> None:
        self._rules = rules
        self._limit_ns = np.array(
            [NEVER if rule.stale_after_ns is None else rule.stale_after_ns for rule in rules], np.int64
        )
        unpromised = [rule.trigger is Trigger.UNPROMISED for rule in rules]
        self._expected = (self._limit_ns < NEVER) | (
            np.array(needed, np.bool_) & np.array(unpromised, np.bool_)
        )
        self._stale = Episodes(self._describe_stale)
        self._missing = Episodes(self._describe_missing)
        self._timeline: Timeline | None = None
        self._first_ns: dict[int, int] = {}

    def fold(self, view: View) -> list[Event]:
        """Judge the gaps that end in this chunk, and announce those that have become too long."""
        self._timeline = view.timeline
        arrivals = view.arrivals
        late = arrivals.gap > arrivals.per_frame(self._limit_ns)
        if late.any():
            touched = np.flatnonzero(np.logical_or.reduceat(late, arrivals.start))
            for place in touched.tolist():
                begin = int(arrivals.start[place])
                stop = begin + int(arrivals.count[place])
                self._fold_slot(arrivals, place, slice(begin, stop), late[begin:stop])
        for slot in self._stale.open_subjects:
            self._stale.settle(slot, None, int(view.timeline.seen[slot]))
        self._announce(view.timeline)
        return self._events()

    def finish(self) -> list[Event]:
        """Add the messages that never came, and those that had not come back."""
        timeline = self._timeline
        if timeline is None:
            return []
        silent = timeline.silence_ns
        for slot in np.flatnonzero(self._expected & (timeline.seen == 0)).tolist():
            if silent[slot] > self._limit_ns[slot] or self._limit_ns[slot] == NEVER:
                self._missing.add(_unfinished(slot, timeline, still=True))
        for slot in np.flatnonzero((timeline.seen > 0) & (silent > self._limit_ns)).tolist():
            self._stale.add(_unfinished(slot, timeline, still=True))
        self._stale.finish()
        self._missing.finish()
        return self._events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._missing.findings(), *self._stale.findings()]

    def _fold_slot(self, arrivals: Arrivals, place: int, frames: slice, late: np.ndarray) -> None:
        slot, seen = int(arrivals.slots[place]), int(arrivals.seen[place])
        clock, gap = arrivals.clock[frames], arrivals.gap[frames]
        if seen == 0 and late[0]:
            end_ns = int(clock[0])
            self._missing.add(Episode(slot, 0, 0, end_ns - int(gap[0]), end_ns, 1, int(gap[0])))
            late = late.copy()
            late[0] = False
        for first, last, count in faulty_runs(late, GOOD_BETWEEN - 1):
            self._stale.add(
                Episode(
                    subject=slot,
                    first=seen + first,
                    last=seen + last - 1,  # the frame that ends a gap is good already
                    start_ns=int(clock[first] - gap[first]),
                    end_ns=int(clock[last]),
                    count=count,
                    worst=int(gap[first : last + 1].max()),
                    from_start=seen + first <= 1,
                )
            )

    def _announce(self, timeline: Timeline) -> None:
        silent = timeline.silence_ns
        for slot in np.flatnonzero(silent > self._limit_ns).tolist():
            episodes = self._stale if timeline.seen[slot] else self._missing
            episodes.announce(_unfinished(slot, timeline, still=False))

    def _events(self) -> list[Event]:
        return [*self._missing.events(), *self._stale.events()]

    def _describe_missing(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        name, came = rule.message.name, episode.end_ns is not None and not episode.still
        if came:
            text = f"{name} came only after {seconds(episode.worst)}"
        else:
            text = f"{name} never came" if episode.still else f"{name} has not come"
        if rule.period_ns is not None:
            text += f"; it is promised every {seconds(rule.period_ns)}"
        return Finding(
            kind=Kind.MISSING,
            severity=Severity.WARNING if came else Severity.ERROR,
            place=Place(bus=rule.bus, message=name),
            start_ns=episode.start_ns,
            end_ns=episode.start_ns if episode.end_ns is None else episode.end_ns,
            open=episode.still,
            value=episode.worst / 1e9,
            limit=None if rule.stale_after_ns is None else rule.stale_after_ns / 1e9,
            text=f"{text}.",
        )

    def _describe_stale(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        name, limit_ns = rule.message.name, int(self._limit_ns[episode.subject])
        if episode.more:
            text = f"{name} fell silent in {times(episode.more, 'more place')} that are not listed"
        elif episode.end_ns is None:
            text = f"{name} fell silent"
        elif episode.still and episode.count == 1:
            text = f"{name} fell silent and did not come back"
        elif episode.count == 1:
            text = f"{name} was silent for {seconds(episode.worst)}"
        else:
            from_start = " from the start" if episode.from_start and episode.still else ""
            silences = times(episode.count, "time")
            text = f"{name} was silent {silences}{from_start}, for up to {seconds(episode.worst)}"
        return Finding(
            kind=Kind.STALE,
            severity=Severity.ERROR if rule.stale_is_error else Severity.WARNING,
            place=Place(bus=rule.bus, message=name),
            start_ns=episode.start_ns,
            end_ns=episode.start_ns if episode.end_ns is None else episode.end_ns,
            open=episode.still,
            count=episode.count,
            value=episode.worst / 1e9,
            limit=limit_ns / 1e9,
            text=f"{text}; it is stale after {seconds(limit_ns)}.",
        )


def _unfinished(slot: int, timeline: Timeline, *, still: bool) -> Episode:
    """The silence that has not ended; without `still`, nothing is known of its end yet."""
    seen, last, until = int(timeline.seen[slot]), int(timeline.last_ns[slot]), int(timeline.until_ns[slot])
    return Episode(slot, seen, seen - 1, last, until if still else None, 1, until - last, still=still)
