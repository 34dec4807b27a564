"""Nodes that tell that they restarted: their restart count rose, their uptime fell, they sent a boot frame.

Nothing is compared across a hole in the recording. What of this is about one restart, and what the counters
of the node's messages say of it, is put together in `canmap.findings.restarts`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.words import times
from canmap.checks.check import Check
from canmap.checks.common.node_frames import channels_of, ends_of, frames_of, slots_of_nodes
from canmap.checks.common.occurrences import Occurrences
from canmap.checks.common.state_course import StateCourse
from canmap.findings.finding import Finding, Place
from canmap.findings.kinds import RESTART
from canmap.findings.restarts import Clue, clue_in_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from fractions import Fraction

    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.refs import SignalRef
    from canmap.mapping.supplied_nodes import NodeRule
    from canmap.stream.view import View

START_TIME_NS = 1_000_000_000  # of a node whose start time the spec does not tell
DRIFT = 50  # the clock of a node is off by no more than one part in so many
SLACK_NS = 100_000_000  # and what it tells is no older


class _Seen(NamedTuple):
    """Something that tells of a restart.

    Attributes:
        before_ns: Session clock of the last sample before.
        clock_ns: That of the sample that tells.
        row: Its frame in the chunk.
        values: What it said before, and what it says.
    """

    before_ns: int
    clock_ns: int
    row: int
    values: tuple[int, int]


class _Count:
    """A count of starts: any change is a restart."""

    clue = Clue.RESTART_COUNT

    def __init__(self, ref: SignalRef, setting: Setting) -> None:
        self.place = Place(bus=ref.bus, message=ref.message, signal=ref.signal)
        self.course = StateCourse(ref, setting, through_silence=True)

    def take(self, view: View) -> Iterator[_Seen]:
        """Yield the restarts that it tells of in the next chunk."""
        self.course.cut(view)
        if not len(view.prepared.samples.positions(self.course.column)):
            return
        states = self.course.take(view)
        for k in states.changed.nonzero()[0].tolist():
            values = int(states.before[k]), int(states.state[k])
            moment = int(states.before_ns[k]), int(states.clock[k]), int(states.rows[k])
            if self.is_restart(*values, moment[1] - moment[0]):
                yield _Seen(*moment, values)

    def is_restart(self, _before: int, _after: int, _passed_ns: int) -> bool:
        """Whether it tells of a restart that it went from one value to another in a time."""
        return True


class _Uptime(_Count):
    """A time since the start: it is one where it is less than before, and did not just wrap."""

    clue = Clue.UPTIME

    def __init__(self, ref: SignalRef, step_ns: Fraction, setting: Setting) -> None:
        super().__init__(ref, setting)
        self.step_ns = step_ns
        self._values = 1 << setting.plan.columns[self.course.column].signal.bits

    def is_restart(self, before: int, after: int, passed_ns: int) -> bool:
        """Whether it fell, and not because it began anew after its largest value."""
        if after >= before:
            return False
        onward_ns = (after - before) % self._values * self.step_ns
        return onward_ns > passed_ns + passed_ns // DRIFT + SLACK_NS + self.step_ns


class _Boot:
    """A frame that a node sends once when it starts: it restarted where it had been sending before."""

    clue = Clue.BOOT

    def __init__(self, rule: NodeRule, setting: Setting) -> None:
        boot = rule.boot
        self.place = Place(bus=boot.bus if boot else None, message=boot.message if boot else None)
        self._boot = [] if boot is None else [setting.plan.slot_of[boot.bus, boot.message]]
        self._others = slots_of_nodes([rule.name], setting, without=boot)
        self._channels = channels_of([*self._boot, *self._others], setting)
        self._start_ns = rule.start_time_ns or START_TIME_NS
        self._first_ns: int | None = None  # of the other messages, since the newest boot frame
        self._last_ns = 0

    def take(self, view: View) -> Iterator[_Seen]:
        """Yield the restarts that it tells of in the next chunk."""
        if any(hole.channel in self._channels for hole in view.holes):
            self._first_ns = None
        if ends_of(self._boot, view) is None:
            self._go_on(view, ends_of(self._others, view))
            return
        (boots, _), (rows, _) = frames_of(self._boot, view), frames_of(self._others, view)
        done = 0
        for row in boots.tolist():
            until = int(rows.searchsorted(row))
            self._go_on(view, (rows[done], rows[until - 1]) if done < until else None)
            done, clock_ns = until, int(view.clock[row])
            if self._first_ns is not None and clock_ns - self._first_ns > self._start_ns:
                yield _Seen(self._last_ns, clock_ns, row, (0, 0))
            self._first_ns = None
        self._go_on(view, (rows[done], rows[-1]) if done < len(rows) else None)

    def _go_on(self, view: View, ends: tuple[int, int] | None) -> None:
        """Take in the first and the last of further frames of the other messages."""
        if ends is not None:
            self._first_ns = int(view.clock[ends[0]]) if self._first_ns is None else self._first_ns
            self._last_ns = int(view.clock[ends[1]])


class NodeRestarts(Check[None]):
    """Looks for restarts of the nodes of the spec, by what they tell.

    Attributes:
        counted_ns: Session clocks of the first and the newest sample of each count of starts, by node; of
            those since the last hole in its recording.
    """

    kinds = (RESTART,)

    def __init__(self, setting: Setting) -> None:
        self._clues: list[tuple[NodeRule, _Count | _Boot]] = []
        for node in setting.spec.manual.nodes:
            if node.restart_count is not None:
                self._clues.append((node, _Count(node.restart_count, setting)))
            if node.uptime is not None and node.uptime_step_ns is not None:
                self._clues.append((node, _Uptime(node.uptime, node.uptime_step_ns, setting)))
            if node.boot is not None:
                self._clues.append((node, _Boot(node, setting)))
        self._found = Occurrences(self._describe)
        self.counted_ns: dict[str, tuple[int, int]] = {}

    def fold(self, view: View, _part: None) -> list[Event]:
        """Look at one chunk."""
        for subject, (node, clue) in enumerate(self._clues):
            if isinstance(clue, _Count) and clue.clue is Clue.RESTART_COUNT:
                self._note_count(node.name, clue, view)
            for seen in clue.take(view):
                line = int(view.prepared.chunk.line[seen.row])
                moment = seen.before_ns, seen.clock_ns, 0, seen.clock_ns, line
                self._found.add(subject, *moment, tally=seen.values)
        return self._found.events()

    def _note_count(self, node: str, clue: _Count, view: View) -> None:
        """Note when a count of starts came, since the last hole in its recording."""
        if clue.course.is_cut(view):
            self.counted_ns.pop(node, None)
        samples = view.prepared.samples
        clock = view.clock[samples.positions(clue.course.column)]
        if len(clock):
            self.counted_ns[node] = self.counted_ns.get(node, (int(clock[0]), 0))[0], int(clock[-1])

    def finish(self, end: End) -> list[Event]:
        """Tell what was too much to list."""
        self._found.finish()
        return self._found.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(self._found.findings())

    def _describe(self, episode: Episode) -> Finding:
        node, clue = self._clues[episode.subject]
        facts: dict[str, str | float] = {"node": node.name, "clue": clue.clue.value}
        if isinstance(clue, _Uptime):
            before_s, after_s = (float(value * clue.step_ns) / 1e9 for value in episode.tally)
            facts |= {"from_s": before_s, "to_s": after_s}
        elif isinstance(clue, _Count):
            facts |= dict(zip(("from", "to"), episode.tally, strict=True))
        if node.axis:
            facts["axis"] = node.axis
        if node.page:
            facts["page"] = node.page
        if episode.more:
            facts["more"] = episode.more
        found = replace(episode.finding(RESTART, clue.place, ""), facts=facts)
        page = f" (page {node.page} of the manual)" if node.page else ""
        if episode.more:
            return replace(found, text=f"{node.name} restarted {times(episode.more, 'more time')}{page}.")
        return replace(found, text=f"{node.name} restarted: {clue_in_words(found)}{page}.")
