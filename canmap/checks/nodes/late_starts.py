"""Nodes that take longer to start than promised: from their first sign of life until all their messages come.

A sign of life is a boot frame, or the first frame after a silence of the whole node: by then it had been
started, so what is still missing after its start time, and a period of its message more, is certainly late.
At the begin of a recording, and after a hole in it, nothing is known of when a node was started.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import first_of, seconds, times
from canmap.checks.check import Check
from canmap.checks.common.bit_course import delay_ns
from canmap.checks.common.node_frames import channels_of, ends_of, frames_of, slots_of_nodes
from canmap.checks.common.occurrences import Occurrences
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.supplied_nodes import NodeRule
    from canmap.stream.view import View

LATE_START = Kind("late_start", Severity.WARNING)
NAMED = 6  # messages that a sentence names


@dataclass(slots=True)
class _Start:
    """A start of a node.

    Attributes:
        clock_ns: Session clock of its first sign of life.
        line: Line of the capture of that.
        missing: Which of its messages have not come since.
        late_ns: How long after it each of those came that were late.
    """

    clock_ns: int
    line: int
    missing: set[int]
    late_ns: dict[int, int] = field(default_factory=dict)


class _Node:
    """The starts of one node."""

    def __init__(self, rule: NodeRule, setting: Setting) -> None:
        self.rule, self.limit_ns = rule, rule.start_time_ns or 0
        boot = rule.boot
        plan = setting.plan
        self.slots = slots_of_nodes([rule.name], setting, without=boot)
        self._boot = -1
        if boot is not None:
            self._boot = len(self.slots)
            self.slots.append(plan.slot_of[boot.bus, boot.message])
        self.messages = [setting.rules[slot] for slot in self.slots]
        self._channels = channels_of(self.slots, setting)
        self.awaited = {
            number: self.limit_ns + max(delay_ns(one), one.heartbeat_ns or 0)
            for number, one in enumerate(self.messages)
            if number != self._boot and one.stale_after_ns is not None and not one.active_when
        }
        self._may_rest = any(one.active_when for one in self.messages)  # so that its gaps tell nothing
        silences = [self.messages[number].stale_after_ns or 0 for number in self.awaited]
        # A message of a long period, alone, leaves gaps of that, and the node is not silent.
        longest_ns = max(self.awaited.values(), default=0) - self.limit_ns
        self._silence_ns = max(min(silences, default=np.iinfo(np.int64).max), longest_ns)
        self._last_ns: int | None = None
        self.start: _Start | None = None

    def fold(self, view: View) -> list[tuple[_Start, int]]:
        """Go on with the frames of a chunk; return the late starts that are over, and when that is known."""
        over = []
        holes = [hole.start_ns for hole in view.holes if hole.channel in self._channels]
        if holes:
            over += self._end(min(holes))
            self._last_ns = None
        ends = ends_of(self.slots, view)
        if ends is None:
            return over
        if self._goes_on(view):
            self._last_ns = int(view.clock[ends[1]])
            return over
        rows, of = frames_of(self.slots, view)
        clock = view.clock[rows]
        silent = (
            np.diff(clock, prepend=clock[0] if self._last_ns is None else self._last_ns) > self._silence_ns
        )
        self._last_ns = int(clock[-1])
        signs = np.flatnonzero(silent | (of == self._boot)).tolist()
        for k, until in zip([0, *signs], [*signs, len(rows)], strict=True):
            if k in signs:
                over += self._end(int(clock[k]))
                line = int(view.prepared.chunk.line[rows[k]])
                self.start = _Start(int(clock[k]), line, set(self.awaited))
            if self.start is not None:
                over += self._come(self.start, of[k:until].tolist(), clock[k:until].tolist())
        return over

    def _goes_on(self, view: View) -> bool:
        """Whether no start is going on, and none begins in the chunk: none of its messages was silent."""
        if self.start is not None or self._last_ns is None or self._may_rest:
            return False
        arrivals, start = view.arrivals, view.prepared.arrived.slot_start
        if self._boot >= 0 and start[self.slots[self._boot]] < start[self.slots[self._boot] + 1]:
            return False
        its = np.isin(arrivals.streams, self.slots)
        return bool(arrivals.longest[its].max(initial=0) <= self._silence_ns)

    def _come(self, start: _Start, of: list[int], clock: list[int]) -> list[tuple[_Start, int]]:
        """Take in what has come since a start."""
        for number, clock_ns in zip(of, clock, strict=True):
            if number in start.missing:
                start.missing.remove(number)
                if clock_ns - start.clock_ns > self.awaited[number]:
                    start.late_ns[number] = clock_ns - start.clock_ns
            if not start.missing:
                self.start = None
                return [(start, clock_ns)] if start.late_ns else []
        return []

    def _end(self, until_ns: int) -> list[tuple[_Start, int]]:
        """End the start that is going on: what has not come by then is late if its time was over."""
        start, self.start = self.start, None
        if start is None:
            return []
        passed_ns = until_ns - start.clock_ns
        start.missing = {number for number in start.missing if passed_ns > self.awaited[number]}
        return [(start, until_ns)] if start.missing or start.late_ns else []

    def finish(self, end: End) -> list[tuple[_Start, int]]:
        """Return the start that was going on when the stream ended, if it is late."""
        return self._end(int(min(end.timeline.until_ns[slot] for slot in self.slots)))


class LateStarts(Check[None]):
    """Judges the starts of every node whose start time the spec tells."""

    kinds = (LATE_START,)

    def __init__(self, setting: Setting) -> None:
        nodes = [_Node(rule, setting) for rule in setting.spec.manual.nodes if rule.start_time_ns]
        self._nodes = [node for node in nodes if node.awaited]
        self._found = Occurrences(self._describe, lambda _subject, value: value)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the starts of one chunk."""
        for number, node in enumerate(self._nodes):
            self._tell(number, node.fold(view))
        return self._found.events()

    def finish(self, end: End) -> list[Event]:
        """Judge what is still going on."""
        for number, node in enumerate(self._nodes):
            self._tell(number, node.finish(end))
        self._found.finish()
        return self._found.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._found.findings())

    def _tell(self, number: int, over: list[tuple[_Start, int]]) -> None:
        for start, known_ns in over:
            came = [start.late_ns.get(one, 0) for one in range(len(self._nodes[number].messages))]
            tally = tuple(-1 if one in start.missing else late_ns for one, late_ns in enumerate(came))
            worst_ns = max(known_ns - start.clock_ns if start.missing else 0, *came)
            span_ns = start.clock_ns, start.clock_ns + worst_ns
            self._found.add(number, *span_ns, worst_ns, known_ns, start.line, tally=tally)

    def _describe(self, episode: Episode) -> Finding:
        node = self._nodes[episode.subject]
        rule, took = node.rule, seconds(episode.worst)
        never = [one.message.name for one, told in zip(node.messages, episode.tally, strict=True) if told < 0]
        late = [one.message.name for one, told in zip(node.messages, episode.tally, strict=True) if told > 0]
        if episode.more:
            text = f"{rule.name} was late to start {times(episode.more, 'more time')}, by up to {took}"
        elif never:
            text = f"{rule.name} started, and after {took} {first_of(never, NAMED)} had not come"
        else:
            text = f"{rule.name} took {took} to start, until {first_of(late, NAMED)} came"
        text += f"; its start time is {seconds(node.limit_ns)}"
        text += f" (page {rule.page} of the manual)" if rule.page else ""
        facts: dict[str, str | float | tuple[str, ...]] = {"node": rule.name}
        if episode.more:
            facts["more"] = episode.more
        else:
            facts |= {"messages": tuple(never or late), "wrong": "missing" if never else "late"}
        if rule.page:
            facts["page"] = rule.page
        buses = {one.bus for one in node.messages}
        place = Place(bus=next(iter(buses)) if len(buses) == 1 else None)
        found = episode.finding(
            LATE_START, place, f"{text}.", value=episode.worst / 1e9, limit=node.limit_ns / 1e9
        )
        return replace(found, facts=facts)
