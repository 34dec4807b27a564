"""The stop chain: whoever asks for a stop opens the loop, that cuts the supply, and the kit falls silent.

All of it has its time, counted from the first sample that asks for a stop, or that shows the loop open, and
is judged at the samples that come later, with a slack of a period and the latency of their message. Nothing
is judged over a gap: nothing is known there of any of them. This looks at what the bus said; it measures no
relay, and is no safety function.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.checks.check import Check
from canmap.checks.common.bit_course import NEVER_NS, BitCourse
from canmap.checks.common.occurrences import Occurrences
from canmap.checks.common.record_values import has_field
from canmap.checks.nodes.brief_openings import BriefOpenings
from canmap.checks.nodes.cut_groups import CutGroup
from canmap.checks.nodes.stop_onsets import Onsets, StopOnset, line_of
from canmap.checks.nodes.stop_words import STOP_CHAIN, LateLink, StopEvent, StopWords
from canmap.findings.episodes import Episodes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.bit_course import BitSamples
    from canmap.findings.episodes import Event
    from canmap.findings.finding import Finding
    from canmap.mapping.supplied_nodes import StopChainRule
    from canmap.stream.view import View


class _Samples(NamedTuple):
    """Samples that are judged: intp[n], bool[n] each, and int64[n], how long after the request they came."""

    rows: NDArray[np.intp]
    faulty: NDArray[np.bool_]
    good: NDArray[np.bool_]
    gone_ns: NDArray[np.int64]


class StopChainCheck(Check[None]):
    """Judges the stop chain of the spec."""

    kinds = (STOP_CHAIN,)

    def __init__(self, setting: Setting) -> None:
        rule = _judged(setting)
        self._chain = None if rule is None else _Chain(rule, setting)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the chain in one chunk."""
        return [] if self._chain is None else self._chain.fold(view)

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        return [] if self._chain is None else self._chain.finish(end)

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [] if self._chain is None else self._chain.findings()


def _judged(setting: Setting) -> StopChainRule | None:
    """The stop chain, None where there is none, or where its loop is not built yet."""
    rule = setting.spec.manual.stop_chain
    return rule if rule and _is_built(rule.loop, setting) else None


def _is_built(name: tuple[str, str], setting: Setting) -> bool:
    return any(one.name == name[0] and has_field(one, name[1]) for one in setting.spec.records)


class _Chain:
    """One stop chain."""

    def __init__(self, rule: StopChainRule, setting: Setting) -> None:
        def courses(names: Iterable[tuple[str, str]]) -> list[BitCourse]:
            return [BitCourse(name, setting) for name in names if _is_built(name, setting)]

        self._within_ns = rule.within_ns
        self._loop = BitCourse(rule.loop, setting)
        self._sources, self._off = courses(rule.sources), courses(rule.switched_off)
        self._supply = next(iter(courses([rule.supply] if rule.supply else [])), None)
        self._groups = [CutGroup(name, setting) for name in rule.cuts]
        self._words = StopWords(rule, setting, self._sources, self._groups)
        self._opened = Onsets(self._loop, self._sources, rule.within_ns)
        explain = [self._loop, *self._sources, *self._off]
        self._cut = Onsets(self._supply, explain, rule.within_ns) if self._supply else None
        self._briefly = Onsets(self._loop, self._sources, rule.within_ns)
        self._brief = BriefOpenings(rule.opened, setting) if rule.opened and self._sources else None
        self._late = Episodes(self._words.of_late, parted_by=1)
        self._happened = Occurrences(self._words.of_happened)
        self._carried_ns = 0
        delays = [self._loop.delay_ns, self._supply.delay_ns if self._supply else 0]
        delays += [group.longest_ns for group in self._groups]
        self._all_done_ns = rule.within_ns + max(delays)

    def fold(self, view: View) -> list[Event]:
        """Judge one chunk."""
        courses = [self._loop, *self._sources, *self._off, *([self._supply] if self._supply else [])]
        for course in courses:
            course.cut(view)
        loop, *rest = [course.take(view) for course in courses]
        sources, off = rest[: len(self._sources)], rest[len(self._sources) :]
        supply = off.pop() if self._supply else None
        for group in self._groups:
            group.begin(view)
        self._begin(loop, sources)
        asked = loop.on.any() or any(source.on.any() for source in sources)
        if asked or self._late.open_subjects:
            self._judge_loop(view, loop, sources)
            self._judge_supply(view, loop, supply)
            self._judge_groups(view, loop, supply)
        self._take_openings(view, loop, sources, supply)
        if self._brief is not None:
            self._take_brief(self._brief, view, loop, sources)
        if self._cut and supply is not None:
            self._take_cuts(view, supply, [loop, *sources, *off])
        for group in self._groups:
            group.carry()
        return self._events()

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        until_ns = end.timeline.until_ns
        for subject in self._late.open_subjects:
            late, number = self._words.subject(subject)
            if late is LateLink.GROUP:  # it is over once nothing more came
                group = self._groups[number]
                last_ns = group.late_ns()
                if max(until_ns[slot] for slot in group.slots) > last_ns + group.longest_ns:
                    self._late.open_one(subject).end_ns = last_ns
        self._late.finish(lambda subject: int(max(until_ns[stream] for stream in self._streams(subject))))
        self._happened.finish()
        return self._events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._late.findings(), *self._happened.findings()]

    def _events(self) -> list[Event]:
        return list(chain(self._late.events(), self._happened.events()))

    def _streams(self, subject: int) -> Sequence[int]:
        late, number = self._words.subject(subject)
        if late is LateLink.GROUP:
            return self._groups[number].slots
        course = self._supply if late is LateLink.SUPPLY else self._loop
        return [] if course is None else [course.stream]

    def _judge_loop(self, view: View, loop: BitSamples, sources: Sequence[BitSamples]) -> None:
        """See whether the loop is still closed though a source has asked for long enough."""
        rows, clock = loop.rows[1:], loop.clock[1:]
        told, is_open = loop.told[1:], loop.on[1:]
        limit_ns = self._within_ns + self._loop.delay_ns
        for number, source in enumerate(sources):
            at = source.at(rows)
            asks = source.known(at, clock) & source.on[at]
            gone_ns = clock - source.since_ns[at]
            faulty = told & ~is_open & asks & (gone_ns > limit_ns)
            subject = self._words.number(LateLink.LOOP, number)
            self._add(view, subject, _Samples(rows, faulty, told & ~faulty, gone_ns))

    def _judge_supply(self, view: View, loop: BitSamples, supply: BitSamples | None) -> None:
        """See whether the supply is still on though the loop is open, and the time is over."""
        if self._supply is None or supply is None:
            return
        rows, clock, told = supply.rows[1:], supply.clock[1:], supply.told[1:]
        is_open, start_ns = self._started(rows, clock, loop)
        gone_ns = clock - start_ns
        faulty = told & ~supply.on[1:] & is_open & (gone_ns > self._within_ns + self._supply.delay_ns)
        subject = self._words.number(LateLink.SUPPLY)
        self._add(view, subject, _Samples(rows, faulty, told & ~faulty, gone_ns))

    def _judge_groups(self, view: View, loop: BitSamples, supply: BitSamples | None) -> None:
        """See which nodes still send though the loop is open, and the supply is not known to be on."""
        for number, group in enumerate(self._groups):
            rows, node, allowed_ns = group.frames
            clock = view.clock[rows]
            is_open, start_ns = self._started(rows, clock, loop)
            gone_ns = clock - start_ns
            faulty = is_open & (gone_ns > self._within_ns + allowed_ns)
            if supply is not None:
                at = supply.at(rows)
                faulty &= ~(supply.known(at, clock) & ~supply.on[at])

            def counted(
                first: int, last: int, node: NDArray[np.intp] = node, faulty: NDArray[np.bool_] = faulty
            ) -> tuple[int, ...]:
                inside = node[first : last + 1][faulty[first : last + 1]]
                return tuple(np.bincount(inside, minlength=len(group.nodes)).tolist())  # noqa: B023

            group.keep(rows[faulty])
            subject = self._words.number(LateLink.GROUP, number)
            self._add(view, subject, _Samples(rows, faulty, ~is_open, gone_ns), counted)

    def _begin(self, loop: BitSamples, sources: Sequence[BitSamples]) -> None:
        """Work out since when the supply has had its time, at each sample of the loop while that is open.

        That is when the stop was asked for; where the loop was late, which is told by itself, when it opened.
        """
        self._late_rows: set[int] = set()
        self._start_ns = np.full(len(loop.rows), self._carried_ns)
        if not loop.on.any():
            return
        begins = np.unique(loop.first[loop.on])
        begins = begins[begins > 0]
        rows, since_ns = loop.rows[begins], loop.clock[begins]
        asked_ns = since_ns.copy()
        for source in sources:
            at = source.at(rows)
            asks = source.known(at, since_ns) & source.on[at]
            asked_ns = np.minimum(asked_ns, np.where(asks, source.since_ns[at], since_ns))
        in_time = since_ns - asked_ns <= self._within_ns + self._loop.delay_ns
        self._late_rows = set(rows[~in_time].tolist())
        start_ns = loop.clock.copy()
        start_ns[0] = self._carried_ns
        start_ns[begins] = np.where(in_time, asked_ns, since_ns)
        self._start_ns = start_ns[loop.first]
        self._carried_ns = int(self._start_ns[-1])

    def _started(
        self, rows: NDArray[np.intp], clock: NDArray[np.int64], loop: BitSamples
    ) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
        """Where the loop is known to be open, bool[n]; since when the supply has had its time, int64[n]."""
        at = loop.at(rows)
        return loop.known(at, clock) & loop.on[at], self._start_ns[at]

    def _add(
        self,
        view: View,
        subject: int,
        samples: _Samples,
        tally: Callable[[int, int], tuple[int, ...]] = lambda _first, _last: (),
    ) -> None:
        rows, faulty, good, gone_ns = samples
        if subject not in self._late.open_subjects and not faulty.any():
            return
        self._late.judge(
            subject=subject,
            seen=1,
            faulty=faulty,
            good=good,
            clock=view.clock[rows],
            worst=lambda first, last: int(gone_ns[first : last + 1][faulty[first : last + 1]].max()),
            line=lambda first: line_of(view, int(rows[first])),
            tally=tally,
        )

    def _take_openings(
        self, view: View, loop: BitSamples, sources: Sequence[BitSamples], supply: BitSamples | None
    ) -> None:
        if len(loop.rows) == 1 and not self._opened.waiting:
            return
        for k, before_ns in self._opened.begin(loop):
            start_ns, asked_ns, row = int(loop.clock[k]), int(self._start_ns[k]), int(loop.rows[k])
            held = [source.holds_ns for source in self._sources if source.holds_ns < -NEVER_NS]
            reach_ns = self._opened.reach_ns if before_ns != NEVER_NS else max(held, default=0)
            due_ns = max(start_ns + reach_ns, asked_ns + self._all_done_ns)
            self._opened.wait(
                StopOnset(start_ns, before_ns, asked_ns, line_of(view, row), due_ns, row in self._late_rows)
            )
        for onset, k in self._opened.due(loop, sources):
            if onset.by:
                self._tell_worked(onset, loop, supply, k)
            elif self._sources and not onset.maybe and self._opened.known(loop, k, sources):
                subject = StopEvent.UNASKED_AT_START if onset.from_start else StopEvent.UNASKED
                self._tell(subject, onset, int(loop.clock[k]))

    def _take_brief(
        self, brief: BriefOpenings, view: View, loop: BitSamples, sources: Sequence[BitSamples]
    ) -> None:
        brief.take(view, loop, self._briefly.wait, self._briefly.reach_ns)
        for onset, k in self._briefly.due(loop, sources):
            if not onset.by and not onset.maybe and self._briefly.known(loop, k, sources):
                self._tell(StopEvent.BRIEF, onset, int(loop.clock[k]))

    def _tell_worked(self, onset: StopOnset, loop: BitSamples, supply: BitSamples | None, k: int) -> None:
        """Tell that all happened in time, where it did and all of it was seen."""
        if onset.from_start or onset.late:
            return
        rows, clock = loop.rows[k : k + 1], loop.clock[k : k + 1]
        cut_ns, silent_ns = 0, 0
        if supply is not None and self._supply is not None:
            at = supply.at(rows)
            cut_ns = int(supply.since_ns[at][0]) - onset.asked_ns
            seen = bool((supply.known(at, clock) & supply.on[at] & supply.sure[at])[0])
            first_ns = onset.before_ns - self._supply.delay_ns - onset.asked_ns
            if not seen or not first_ns <= cut_ns <= self._within_ns + self._supply.delay_ns:
                return
        for group in self._groups:
            last_ns = group.last_ns(int(rows[0]))
            if last_ns < onset.before_ns or group.late_ns(int(rows[0])) >= onset.start_ns:
                return
            silent_ns = max(silent_ns, last_ns - onset.asked_ns)
        if supply is None and not self._groups:
            return
        who = sum(1 << number for number in onset.by)
        times_ns = onset.start_ns - onset.asked_ns, max(cut_ns, 0), max(silent_ns, 0)
        self._tell(StopEvent.WORKED, onset, int(clock[0]), (who, *times_ns))

    def _take_cuts(self, view: View, supply: BitSamples, others: Sequence[BitSamples]) -> None:
        if self._cut is None or (len(supply.rows) == 1 and not self._cut.waiting):
            return
        for k, before_ns in self._cut.begin(supply):
            if before_ns == NEVER_NS:
                continue  # it was off from the start
            start_ns, row = int(supply.clock[k]), int(supply.rows[k])
            due_ns = start_ns + self._cut.reach_ns
            self._cut.wait(StopOnset(start_ns, before_ns, start_ns, line_of(view, row), due_ns))
        for onset, k in self._cut.due(supply, others):
            if not onset.maybe and not onset.by and self._cut.known(supply, k, others):
                self._tell(StopEvent.CUT, onset, int(supply.clock[k]))

    def _tell(self, what: StopEvent, onset: StopOnset, known_ns: int, tally: tuple[int, ...] = ()) -> None:
        self._happened.add(what, onset.start_ns, onset.start_ns, 0, known_ns, onset.line, tally=tally)
