"""Messages that are expected but do not come (missing), and messages that fall silent (stale).

A message that has to come only under conditions is judged by the time for which they held: its silence begins
with its last frame or with them, and ends with its next frame or with them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import seconds, times
from canmap.checks.check import Check
from canmap.findings.episodes import GOOD_BETWEEN, Episode, Episodes, faulty_runs
from canmap.findings.finding import Finding, Place, Severity
from canmap.findings.kinds import MISSING, STALE
from canmap.mapping.model import Trigger

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.stream.view import View
    from canmap.timing.arrivals import Arrivals, CutSilence, Timeline

NEVER = np.iinfo(np.int64).max


class Silence(Check[None]):
    """Judges the gaps between the frames of every message, and the frames that never came.

    A message that a record is made of is expected even where nothing is promised of it.
    """

    kinds = (MISSING, STALE)

    def __init__(self, setting: Setting) -> None:
        self._rules = rules = setting.rules
        self._limit_ns = np.array(
            [NEVER if rule.stale_after_ns is None else rule.stale_after_ns for rule in rules], np.int64
        )
        needed = [
            stream in setting.mapped and rule.trigger is Trigger.UNPROMISED
            for stream, rule in enumerate(rules)
        ]
        self._expected = (self._limit_ns < NEVER) | np.array(needed, np.bool_)
        self._stale = Episodes(self._describe_stale)
        self._missing = Episodes(self._describe_missing)
        self._given_up: set[int] = set()  # streams that had not come when they were no longer awaited

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the gaps that end in this chunk, and announce those that have become too long."""
        arrivals = view.arrivals
        cut = [one for one in arrivals.cut if one.end_ns - one.start_ns > self._limit_ns[one.stream]]
        touched = arrivals.streams[arrivals.longest > self._limit_ns[arrivals.streams]].tolist()
        if cut or touched:
            late = arrivals.gap > arrivals.per_frame(self._limit_ns)
            for stream in sorted({*touched, *(one.stream for one in cut)}):
                self._fold_stream(arrivals, stream, late, [one for one in cut if one.stream == stream])
        for episodes in (self._missing, self._stale):
            for stream in episodes.open_subjects:
                clock_of = _clock_of(arrivals, stream)
                episodes.settle(stream, None, int(view.timeline.seen[stream]), clock_of)
        self._announce(view.timeline)
        return self._events()

    def finish(self, end: End) -> list[Event]:
        """Add the messages that never came, and those that had not come back."""
        timeline = end.timeline
        silent, unlimited = timeline.silence_ns, self._limit_ns == NEVER
        never = self._expected & (timeline.seen == 0)
        for stream in np.flatnonzero(never).tolist():
            if silent[stream] > self._limit_ns[stream] or (
                unlimited[stream] and timeline.activity.ever[stream]
            ):
                self._missing.add(self._unfinished(stream, timeline, still=True))
        for stream in np.flatnonzero((timeline.seen > 0) & (silent > self._limit_ns)).tolist():
            self._stale.add(self._unfinished(stream, timeline, still=True))
        for episodes in (self._stale, self._missing):
            episodes.finish(lambda stream: int(timeline.until_ns[stream]))
        return self._events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._missing.findings(), *self._stale.findings()]

    def _fold_stream(
        self, arrivals: Arrivals, stream: int, late: NDArray[np.bool_], cut: list[CutSilence]
    ) -> None:
        """Add the long gaps of one stream, and its silences that were cut short, as they followed."""
        place = int(np.searchsorted(arrivals.streams, stream))
        here = place < len(arrivals.streams) and arrivals.streams[place] == stream
        begin = int(arrivals.start[place]) if here else 0
        seen = int(arrivals.seen[place]) if here else cut[0].seen
        stop = begin + (int(arrivals.count[place]) if here else 0)
        at = begin
        for silence in cut:
            until = begin + silence.seen - seen
            self._add_gaps(arrivals, stream, seen - begin, slice(at, until), late)
            self._add_cut(arrivals, silence)
            at = until
        self._add_gaps(arrivals, stream, seen - begin, slice(at, stop), late)

    def _add_gaps(
        self, arrivals: Arrivals, stream: int, ordinal: int, frames: slice, late: NDArray[np.bool_]
    ) -> None:
        """Add the long gaps among some frames of a stream; `ordinal` counts the frame at index 0."""
        clock, gap, late = arrivals.clock[frames], arrivals.gap[frames], late[frames]
        first_frame = ordinal + frames.start
        if first_frame == 0 and len(late) and late[0]:
            end_ns, gap_ns = int(clock[0]), int(gap[0])
            self._missing.add(self._noticed(Episode(stream, 0, 0, end_ns - gap_ns, end_ns, 1, gap_ns)))
            late = late.copy()
            late[0] = False
        for first, last, count in faulty_runs(late, GOOD_BETWEEN - 1):
            episode = Episode(
                subject=stream,
                first=first_frame + first,
                last=first_frame + last - 1,  # the frame that ends a gap is good already
                start_ns=int(clock[first] - gap[first]),
                end_ns=int(clock[last]),
                count=count,
                worst=int(gap[first : last + 1].max()),
                from_start=first_frame + first <= 1,
            )
            self._stale.add(self._noticed(episode), _clock_of(arrivals, stream))

    def _add_cut(self, arrivals: Arrivals, silence: CutSilence) -> None:
        stream, seen, start_ns, end_ns = silence.stream, silence.seen, silence.start_ns, silence.end_ns
        lasted_ns = end_ns - start_ns
        if not seen:
            self._given_up.add(stream)
            self._missing.add(self._noticed(Episode(stream, 0, 0, start_ns, end_ns, 1, lasted_ns)))
            return
        cut = Episode(stream, seen, seen - 1, start_ns, end_ns, 1, lasted_ns, from_start=seen <= 1)
        self._stale.add(self._noticed(cut), _clock_of(arrivals, stream))

    def _unfinished(self, stream: int, timeline: Timeline, *, still: bool) -> Episode:
        """The silence that has not ended; without `still`, nothing is known of its end yet."""
        seen, until = int(timeline.seen[stream]), int(timeline.until_ns[stream])
        since = min(int(timeline.quiet_since_ns[stream]), until)
        end_ns = until if still else None
        episode = self._noticed(Episode(stream, seen, seen - 1, since, end_ns, 1, until - since, still=still))
        episode.known_ns = min(episode.known_ns or 0, until)
        return episode

    def _noticed(self, silence: Episode) -> Episode:
        """Note from when on a silence is known to be too long, and how long it has lasted by then."""
        limit_ns = int(self._limit_ns[silence.subject])
        silence.known_ns, silence.begins_with = silence.start_ns + limit_ns, limit_ns
        return silence

    def _announce(self, timeline: Timeline) -> None:
        silent = timeline.silence_ns
        for stream in (silent > self._limit_ns).nonzero()[0].tolist():
            episodes = self._stale if timeline.seen[stream] else self._missing
            episodes.announce(self._unfinished(stream, timeline, still=False))

    def _events(self) -> list[Event]:
        return [*self._missing.events(), *self._stale.events()]

    def _describe_missing(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        given_up = episode.subject in self._given_up
        came = episode.end_ns is not None and not episode.still and not given_up
        if came:
            after = f" of its start-up of {seconds(rule.start_up_ns)}" if rule.start_up_ns else ""
            text = f"{rule.name} came only after {seconds(episode.worst)}"
            text = f"{rule.name} came only {seconds(episode.worst)} after the end{after}" if after else text
        elif given_up and not episode.still:
            text = f"{rule.name} did not come while it was expected, for up to {seconds(episode.worst)}"
        else:
            text = f"{rule.name} never came" if episode.still else f"{rule.name} has not come"
        if rule.period_ns is not None:
            text += f"; it is promised every {seconds(rule.period_ns)}"
        found = episode.finding(
            MISSING,
            Place(bus=rule.bus, message=rule.message.name),
            value=episode.worst / 1e9,
            limit=None if rule.stale_after_ns is None else rule.stale_after_ns / 1e9,
            text=f"{text}.",
            severity=Severity.WARNING if came else Severity.ERROR,
        )
        return replace(found, stream=episode.subject, facts=rule.facts)

    def _describe_stale(self, episode: Episode) -> Finding:
        rule = self._rules[episode.subject]
        name, limit_ns = rule.name, int(self._limit_ns[episode.subject])
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
        found = episode.finding(
            STALE,
            Place(bus=rule.bus, message=rule.message.name),
            value=episode.worst / 1e9,
            limit=limit_ns / 1e9,
            text=f"{text}; it is stale after {seconds(limit_ns)}.",
            severity=Severity.ERROR if rule.stale_is_error else Severity.WARNING,
        )
        return replace(found, stream=episode.subject, facts=rule.facts)


def _clock_of(arrivals: Arrivals, stream: int) -> Callable[[int], int]:
    """Return what returns the session clock of a frame of the chunk, by its ordinal in the stream."""
    place = int(np.searchsorted(arrivals.streams, stream))

    def clock_of(ordinal: int) -> int:
        return int(arrivals.clock[arrivals.start[place] + ordinal - arrivals.seen[place]])

    return clock_of
