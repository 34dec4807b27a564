"""Watchdogs: an axis has to let go so long after the last fresh demand, not later and not much sooner.

Where it first has to hold for some time, it must not let go before that, unless the driver takes over.
That it did so in time is a note, as the demand went away all the same.

Judged at the samples of the axis' state, with a slack of that message's period and latency, and of the jitter
of a period. An axis that was not active when the demand went away is not judged, nor is anything across a
silence of its state or a hole in the recording.
"""

from __future__ import annotations

from dataclasses import replace
from enum import IntEnum
from itertools import chain
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.words import listed, seconds, times
from canmap.checks.axes.feeding import NEVER_NS, Feeding, needs_of
from canmap.checks.check import Check
from canmap.checks.common.needs import Needs, code_or_label, state_name
from canmap.checks.common.occurrences import Occurrences
from canmap.checks.common.offgaps import TOLERATED
from canmap.checks.common.pages import on_page, paged
from canmap.checks.common.state_course import StateCourse, StayAmong
from canmap.findings.episodes import LISTED, Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.mapping.manual import GOES_ON, HOLD
from canmap.timing.newest import Newest

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.axes.feeding import Feeds
    from canmap.checks.check import End, Setting
    from canmap.checks.common.state_course import LastState, StateSamples
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.manual import DemandRule, StateMachineRule
    from canmap.mapping.refs import MessageRef
    from canmap.stream.view import View

WATCHDOG = Kind("watchdog", Severity.ERROR)  # too early, or before a hold is over: a warning; in time: a note
GONE_PERIODS = (5, 2)  # a demand is gone after so many of its periods, as a fraction


class _Left(NamedTuple):
    """How an axis let go in the end: `state` is the one after, None where the demand came back before."""

    state: int | None
    gone_ns: int


class _LetGo(IntEnum):
    """When an axis let go that was not too late."""

    EARLY = 0
    HOLDING = 1  # before the time was over for which it had to hold
    IN_TIME = 2


class _Watchdog:
    """One watchdog: its demands, and its axis."""

    def __init__(
        self,
        rules: tuple[DemandRule, ...],
        machine: StateMachineRule,
        setting: Setting,
        needs: Needs,
        first: int,
    ) -> None:
        self.rules, self.machine = rules, machine
        self.feeding = Feeding(rules, setting, needs, first)
        self.states = StateCourse(machine.signal, setting)
        self.active = StayAmong(machine.active)
        self.slots = [*self.feeding.slots, self.states.slot]
        self.limit_ns = rules[0].watchdog_ns or 0
        period_ns = self.states.rule.period_ns or 0
        self.slack_ns = self.states.slack_ns + period_ns * TOLERATED[0] // TOLERATED[1]
        periods = [setting.rules[slot].period_ns or 0 for slot in self.feeding.slots]
        self.missed_ns = max(periods) * GONE_PERIODS[0] // GONE_PERIODS[1]
        self.early_ns = self.limit_ns - self.slack_ns - max(periods)
        holds = [rule.acts_for_ns for rule in rules if rule.first == HOLD and rule.acts_for_ns]
        self.hold_over_ns = self.early_ns + min(holds, default=0)
        going_on = [rule for rule in rules if rule.first in GOES_ON]
        self.acts_for_ns = max((rule.acts_for_ns or 0 for rule in going_on), default=0)
        self.is_late_judged = all(rule.acts_for_ns is not None for rule in going_on)
        self.was_late = False
        self.seen = 0
        self.left: dict[int, _Left] = {}

    def judged(self, gone_ns: int, state: int) -> _LetGo:
        """Judge that the axis went to a state so long after the last fresh demand."""
        if gone_ns < self.early_ns:
            return _LetGo.EARLY
        holds = gone_ns < self.hold_over_ns and state not in self.machine.overridden
        return _LetGo.HOLDING if holds else _LetGo.IN_TIME

    @property
    def demand(self) -> str:
        """What sentences call its demands."""
        return listed(rule.message.message for rule in self.rules)


class WatchdogCheck(Check[None]):
    """Judges the watchdog of every demand whose axis is known by its state machine."""

    kinds = (WATCHDOG,)

    def __init__(self, setting: Setting) -> None:
        manual = setting.spec.manual
        self._plan = setting.plan
        needs = Needs((need for rule in manual.demands for need in needs_of(rule, setting)), setting)
        machines = {machine.name: machine for machine in manual.state_machines}
        watchdogs, first = [], 0
        for rules in _shared(manual.demands):
            machine = next((machines[rule.state_machine] for rule in rules if rule.state_machine), None)
            if machine is not None:
                watchdogs.append(_Watchdog(rules, machine, setting, needs, first))
            first += len(rules)
        self._watchdogs = tuple(watchdogs)
        self._newest = Newest(needs.columns, len(setting.plan.columns))
        self._late = Episodes(self._describe_late, parted_by=1)
        self._let_go = Occurrences(self._describe_let_go)  # for each watchdog a subject for each `_LetGo`

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the demands and states of one chunk."""
        if not self._watchdogs:
            return []
        starts = view.prepared.arrived.slot_start
        came = starts[1:] > starts[:-1]
        self._newest.begin(view.prepared, view.clock)
        for number, watchdog in enumerate(self._watchdogs):
            watchdog.feeding.cut(view)
            watchdog.states.cut(view)
            if not came[watchdog.slots].any():
                continue
            feeds = watchdog.feeding.take(view, self._newest)
            last = watchdog.states.last
            states = watchdog.states.take(view)
            if len(states):
                self._judge(number, view, feeds, states, last)
        self._newest.carry()
        return self._events()

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        self._late.finish(lambda number: int(end.timeline.until_ns[self._watchdogs[number].states.slot]))
        self._let_go.finish()
        return self._events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._late.findings(), *self._let_go.findings()]

    def _events(self) -> list[Event]:
        return list(chain(self._late.events(), self._let_go.events()))

    def _judge(
        self, number: int, view: View, feeds: Feeds, states: StateSamples, last: LastState | None
    ) -> None:
        one = self._watchdogs[number]
        before = one.active.since_ns
        active, since_ns = one.active.take(states)
        fed_ns = feeds.last_ns(states.rows)
        known = fed_ns != NEVER_NS
        gone_ns = np.where(known, states.clock - np.where(known, fed_ns, 0), 0)
        watched = known & (since_ns <= fed_ns + one.slack_ns)
        late = active & watched & (gone_ns > one.limit_ns + one.acts_for_ns + one.slack_ns)
        was_late = np.concatenate(([one.was_late], late[:-1]))
        one.was_late = bool(late[-1])
        if one.is_late_judged:
            self._tell_ends(one, states, was_late & ~late, gone_ns, active)
            self._judge_late(number, view, states, late, gone_ns)
        one.seen += len(states)
        was_active = np.concatenate(([before is not None], active[:-1]))
        since_before = np.concatenate(([before or 0], since_ns[:-1]))
        let_go = was_active & ~active & states.changed & known & (since_before <= fed_ns + one.slack_ns)
        let_go &= ~was_late & (gone_ns > one.missed_ns)
        for k in let_go.nonzero()[0].tolist():
            row, clock_ns = int(states.rows[k]), int(states.clock[k])
            if feeds.asked(row):
                line = int(view.prepared.chunk.line[row])
                when = one.judged(int(gone_ns[k]), int(states.state[k]))
                self._let_go.add(
                    len(_LetGo) * number + when, clock_ns, clock_ns, int(gone_ns[k]), clock_ns, line
                )

    def _tell_ends(
        self,
        one: _Watchdog,
        states: StateSamples,
        ends: NDArray[np.bool_],
        gone_ns: NDArray[np.int64],
        active: NDArray[np.bool_],
    ) -> None:
        """Keep how the axis let go at the samples, bool[n], at which it is no longer too late."""
        for k in ends.nonzero()[0].tolist():
            if len(one.left) <= LISTED and not states.anew[k]:
                state = None if active[k] else int(states.state[k])
                one.left[int(states.clock[k])] = _Left(state, int(gone_ns[k]))

    def _judge_late(
        self,
        number: int,
        view: View,
        states: StateSamples,
        late: NDArray[np.bool_],
        gone_ns: NDArray[np.int64],
    ) -> None:
        if number in self._late.open_subjects or late.any():
            self._late.judge(
                subject=number,
                seen=self._watchdogs[number].seen,
                faulty=late,
                good=~late,
                clock=states.clock,
                worst=lambda first, last: int(gone_ns[first : last + 1][late[first : last + 1]].max()),
                line=lambda first: int(view.prepared.chunk.line[states.rows[first]]),
            )

    def _describe_late(self, episode: Episode) -> Finding:
        one = self._watchdogs[episode.subject]
        name, demand = one.machine.name, one.demand
        gone_ns = int(episode.worst)
        left = None if episode.end_ns is None or episode.still else one.left.get(episode.end_ns)
        told: dict[str, str | float] = {}
        if left and left.state is not None:
            gone_ns, state = left.gone_ns, self._state(one, left.state)
            text = f"{name} went to {state} only {seconds(gone_ns)} after the last fresh {demand}"
            told["to"] = code_or_label(state)
        elif left:
            text = f"{name} stayed active though no fresh {demand} came for {seconds(gone_ns)} or more"
        else:
            text = f"{name} is still active {seconds(gone_ns)} after the last fresh {demand}"
        return self._finding(episode, one, text, gone_ns, WATCHDOG.severity, told)

    def _describe_let_go(self, episode: Episode) -> Finding:
        number, when = divmod(episode.subject, len(_LetGo))
        one, gone_ns = self._watchdogs[number], int(episode.worst)
        already = "already " if when == _LetGo.EARLY else ""
        text = f"{one.machine.name} let go {already}{seconds(gone_ns)} after the last fresh {one.demand}"
        text += ", before its hold was over" if when == _LetGo.HOLDING else ""
        severity = Severity.NOTE if when == _LetGo.IN_TIME else Severity.WARNING
        return self._finding(episode, one, text, gone_ns, severity, {})

    def _finding(
        self,
        episode: Episode,
        one: _Watchdog,
        text: str,
        gone_ns: int,
        severity: Severity,
        told: dict[str, str | float],
    ) -> Finding:
        rule = one.rules[0]
        text += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
        text += f"; its watchdog is {seconds(one.limit_ns)}"
        text += f", after which {rule.reaction.rstrip('.')}" if rule.reaction else ""
        found = episode.finding(
            WATCHDOG,
            Place(bus=rule.message.bus, message=rule.message.message),
            f"{on_page(text, rule.page)}.",
            value=gone_ns / 1e9,
            limit=one.limit_ns / 1e9,
            severity=severity,
        )
        facts: dict[str, str | float] = {"machine": one.machine.name, "demands": one.demand, **told}
        if one.acts_for_ns:
            facts["for_s"] = one.acts_for_ns / 1e9
        if rule.reaction:
            facts["reaction"] = rule.reaction
        return replace(found, facts=paged(facts, rule.page))

    def _state(self, one: _Watchdog, code: int) -> str:
        return state_name(code, self._plan.columns[one.states.column].signal)


def _shared(demands: tuple[DemandRule, ...]) -> list[tuple[DemandRule, ...]]:
    """The demands of each watchdog: one, with those that it shares it with."""
    by_message = {rule.message: rule for rule in demands}
    groups: list[tuple[DemandRule, ...]] = []
    grouped: set[MessageRef] = set()
    for rule in demands:
        if rule.watchdog_ns is not None and rule.message not in grouped:
            refs = dict.fromkeys((rule.message, *rule.watchdog_with))
            grouped |= refs.keys()
            groups.append(tuple(by_message[ref] for ref in refs if ref in by_message))
    return groups
