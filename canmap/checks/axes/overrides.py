"""The driver's override: the kit lets the driver take over, nobody else does, and it stays so.

Judged at the samples of the axis' state, with a slack of the periods and latencies of both messages. Nothing
is judged across a silence of either, nor across a hole in the recording.
"""

from __future__ import annotations

from dataclasses import replace
from enum import IntEnum
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import listed, seconds, times
from canmap.checks.axes import override_words as words
from canmap.checks.axes.override_courses import OverriddenAxis, OverriddenByNobody, OverrideSignal, resets_of
from canmap.checks.check import Check
from canmap.checks.common.held_signals import NEVER_NS, Stays
from canmap.checks.common.needs import Doubt, Needs, code_or_label, state_name, unfulfilled
from canmap.checks.common.occurrences import Occurrences
from canmap.checks.common.pages import on_page, paged
from canmap.checks.states.machine_words import packed, unpacked
from canmap.findings.episodes import LISTED, Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity
from canmap.timing.newest import Newest
from canmap.vocabulary.figures import AS_WRITTEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.axes.override_courses import Asked
    from canmap.checks.check import End, Setting
    from canmap.checks.common.held_signals import HeldSamples
    from canmap.checks.common.needs import NeedsAt
    from canmap.checks.common.state_course import StateSamples
    from canmap.findings.episodes import Episode, Event
    from canmap.stream.view import View
    from canmap.vocabulary.figures import Figures

OVERRIDE = Kind("override", Severity.ERROR)  # by nobody, or left by itself: a warning; as it should: a note


class _What(IntEnum):
    """What is told of an axis and an override."""

    DONE = 0
    DENIED = 1  # done, but what should bear it out does not
    BY_NOBODY = 2
    LEFT = 3


class OverrideCheck(Check[None]):
    """Judges every override whose axes are known by their state machines."""

    kinds = (OVERRIDE,)

    def __init__(self, setting: Setting) -> None:
        manual = setting.spec.manual
        rules = manual.overrides
        machines = [one for one in manual.state_machines if any(one.name in rule.machines for rule in rules)]
        of_machine = {one.name: [rule for rule in rules if one.name in rule.machines] for one in machines}
        wanted = [need for rule in rules for need in rule.corroborated_by]
        wanted += [need for one in machines for need in resets_of(one, of_machine[one.name])]
        self._setting, self._needs = setting, Needs(wanted, setting)
        self._overrides = [OverrideSignal(rule, setting, self._needs, i) for i, rule in enumerate(rules)]
        self._axes = [
            OverriddenAxis(
                one,
                {i: self._overrides[i] for i, rule in enumerate(rules) if rule in of_machine[one.name]},
                setting,
                self._needs,
                len(rules) + number,
            )
            for number, one in enumerate(machines)
        ]
        self._newest = Newest(self._needs.columns, len(setting.plan.columns))
        self._slots = sorted(
            {one.signal.slot for one in self._overrides} | {axis.states.slot for axis in self._axes}
        )
        self._stays = Episodes(self._describe_stay)
        self._moments = Occurrences(self._describe_moment)
        self._most: dict[tuple[int, int], float] = {}

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        if not self._axes:
            return []
        if view.holes:
            for one in self._overrides:
                one.signal.cut(view)
            for axis in self._axes:
                axis.states.cut(view)
        starts = view.prepared.samples.slot_start
        columns = view.prepared.samples.column_start
        needed = [*self._needs.columns]
        came = (starts[self._slots] < starts[[slot + 1 for slot in self._slots]]).any()
        if not came and not (columns[needed] < columns[[column + 1 for column in needed]]).any():
            return []
        self._newest.begin(view.prepared, view.clock)
        asked = [one.take(view, self._newest) for one in self._overrides]
        for place, axis in enumerate(self._axes):
            self._fold_axis(place, axis, view, asked)
        self._newest.carry()
        return self._events()

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        count = len(self._overrides)
        self._stays.finish(
            lambda subject: int(end.timeline.until_ns[self._axes[subject // count].states.slot])
        )
        self._moments.finish()
        return self._events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return [*self._stays.findings(), *self._moments.findings()]

    def _events(self) -> list[Event]:
        return list(chain(self._stays.events(), self._moments.events()))

    def _fold_axis(self, number: int, axis: OverriddenAxis, view: View, asked: list[Asked]) -> None:
        before_ns = axis.overridden.since_ns
        states = axis.states.take(view)
        acts = axis.active.take(states)
        overridden, since_ns = axis.overridden.take(states)
        if len(states):
            at, reset_ns = axis.resets(states, self._newest)
            for i in axis.overrides:
                self._judge_stay((number, i), view, states, acts, asked[i].held)
            was = np.append(before_ns is not None, overridden[:-1])
            for k in (states.changed & overridden & ~was).nonzero()[0].tolist():
                self._judge_begin(number, axis, view, states, k, asked)
            began_ns = np.append(before_ns or 0, since_ns[:-1])
            for k in (states.changed & was & ~overridden).nonzero()[0].tolist():
                unseen = int(reset_ns[k]) < int(began_ns[k])
                if axis.is_latched and unseen and axis.may_act_after(int(states.state[k])):
                    self._doubt(number, axis, view, states, at, k)
            axis.seen += len(states)
        self._settle(number, axis, view, asked)

    def _judge_stay(
        self,
        about: tuple[int, int],
        view: View,
        states: StateSamples,
        acts: tuple[NDArray[np.bool_], NDArray[np.int64]],
        held: HeldSamples,
    ) -> None:
        """Judge whether an axis goes on acting though the driver is taking over."""
        number, i = about
        axis, one = self._axes[number], self._overrides[i]
        limit_ns = one.rule.within_ns + one.signal.jitter_ns + axis.slack_ns
        stays = Stays.of(states, acts, held, one.signal, limit_ns)
        subject = number * len(self._overrides) + i
        stays.tell(self._stays, subject, axis.seen, states, view)

    def _judge_begin(
        self, number: int, axis: OverriddenAxis, view: View, states: StateSamples, k: int, asked: list[Asked]
    ) -> None:
        """Judge whether anybody asked an axis to be overridden."""
        row, clock_ns, before_ns = int(states.rows[k]), int(states.clock[k]), int(states.before_ns[k])
        line = int(view.prepared.chunk.line[row])
        nobody = OverriddenByNobody(
            *(int(states.before[k]), int(states.state[k]), clock_ns, before_ns, line, row),
            open=set(axis.overrides),
            known_ns=clock_ns,
        )
        known = True
        for i in axis.overrides:
            held = asked[i].held
            place = int(held.at(states.rows[k : k + 1])[0])
            if self._is_asked(number, i, asked[i], place, nobody, clock_ns):
                return
            one = self._overrides[i]
            known &= int(held.known_ns[place]) <= before_ns - one.longer_ns - axis.window_ns(i)
            known &= one.signal.stale_ns is None or clock_ns - int(held.clock[place]) <= one.signal.stale_ns
            known &= int(held.known_ns[place]) != NEVER_NS
        if known:
            axis.pending.append(nobody)

    def _is_asked(
        self, number: int, i: int, asked: Asked, place: int, begun: OverriddenByNobody, known_ns: int
    ) -> bool:
        """Tell whether an override asked for it up to a sample, and add that it was done."""
        lasted_ns, began_ns = int(asked.held.lasted_ns[place]), int(asked.held.began_ns[place])
        if lasted_ns < begun.before_ns - self._axes[number].window_ns(i):
            return False
        is_borne = int(asked.borne_ns[place]) >= began_ns
        what = _What.DONE if is_borne else _What.DENIED
        subject = self._subject(number, i, what)
        if len(self._most) <= LISTED * (subject + 1):
            self._most[subject, begun.start_ns] = float(asked.held.most[place])
        value = max(lasted_ns - began_ns, 0)
        self._moments.add(subject, begun.start_ns, begun.start_ns, value, known_ns, begun.line)
        return True

    def _settle(self, number: int, axis: OverriddenAxis, view: View, asked: list[Asked]) -> None:
        """See what the next samples say of axes that nobody was seen to override, and of doubts."""
        left = []
        for one in axis.pending:
            if self._is_open(number, axis, one, asked):
                one.row = -1
                left.append(one)
        axis.pending = left
        doubts = []
        for doubt in axis.doubts:
            if self._needs.settle(doubt, view):
                doubts.append(doubt)
            elif doubt.known_ns is not None:
                value = packed(doubt.before, doubt.after, doubt.missing)
                self._moments.add(
                    doubt.subject, doubt.start_ns, doubt.start_ns, value, doubt.known_ns, doubt.line
                )
        axis.doubts = doubts

    def _is_open(
        self, number: int, axis: OverriddenAxis, one: OverriddenByNobody, asked: list[Asked]
    ) -> bool:
        for i in sorted(one.open):
            held = asked[i].held
            place = int(held.rows.searchsorted(one.row, side="right")) + 1
            if place >= len(held.clock):
                continue
            one.known_ns = max(one.known_ns, int(held.clock[place]))
            if self._is_asked(number, i, asked[i], place, one, one.known_ns):
                return False
            one.open.discard(i)
        if one.open:
            return True
        value, start_ns = packed(one.before, one.after), one.start_ns
        subject = self._subject(number, 0, _What.BY_NOBODY)
        self._moments.add(subject, start_ns, start_ns, value, one.known_ns, one.line)
        return False

    def _doubt(
        self, number: int, axis: OverriddenAxis, view: View, states: StateSamples, at: NeedsAt, k: int
    ) -> None:
        """Doubt that an axis was reset before it left its override."""
        missing = at.missing(k, axis.wanted)
        row = int(states.rows[k])
        if missing:
            ends = int(states.before[k]), int(states.state[k])
            line, subject = int(view.prepared.chunk.line[row]), self._subject(number, 0, _What.LEFT)
            axis.doubts.append(Doubt(subject, *ends, int(states.clock[k]), line, row, (missing,)))

    def _subject(self, number: int, i: int, what: _What) -> int:
        return (number * len(self._overrides) + i) * len(_What) + what

    def _describe_stay(self, episode: Episode) -> Finding:
        number, i = divmod(episode.subject, len(self._overrides))
        axis, rule, unit = self._axes[number], self._overrides[i].rule, self._overrides[i].unit
        stays_ns = int(episode.worst)
        limit_ns = self._overrides[i].longer_ns + rule.within_ns
        more = f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
        more += f"; the driver has to have it after {seconds(limit_ns)}" if limit_ns else ""

        def text(figures: Figures) -> str:
            gone = f"{words.name_of(rule)} had gone beyond {words.threshold(rule, unit, figures)}{more}"
            said = f"{axis.machine.name} was still active {seconds(stays_ns)} after {gone}"
            return f"{on_page(said, rule.page)}."

        place = Place(bus=rule.signal.bus, message=rule.signal.message, signal=rule.signal.signal)
        found = episode.finding(OVERRIDE, place, text, value=stays_ns / 1e9, limit=limit_ns / 1e9)
        facts = {"machine": axis.machine.name, "wrong": "not_followed", **words.limits(rule)}
        return replace(found, facts=paged(facts, rule.page))

    def _describe_moment(self, episode: Episode) -> Finding:
        rest, what = divmod(episode.subject, len(_What))
        number, i = divmod(rest, len(self._overrides))
        if what in {_What.DONE, _What.DENIED}:
            return self._done(episode, self._axes[number], self._overrides[i], _What(what))
        axis = self._axes[number]
        before, after, missing = unpacked(int(episode.worst))
        ends = self._state(axis, before), self._state(axis, after)
        rules = [one.rule for one in axis.overrides.values()]
        units = [one.unit for one in axis.overrides.values()]
        page = next((rule.page for rule in rules if rule.page), "")
        is_by_nobody = what == _What.BY_NOBODY

        def why(figures: Figures) -> str:
            if is_by_nobody:
                return words.nobody(rules, units, figures)
            return listed((unfulfilled(self._needs.wanted[one], self._setting) for one in missing), "and")

        def text(figures: Figures) -> str:
            though = "though" if is_by_nobody else "by itself, though its override is latched and"
            said = f"{axis.machine.name} went from {ends[0]} to {ends[1]} {though} {why(figures)}"
            said += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
            return f"{on_page(said, page)}."

        about = axis.machine.signal
        place = Place(bus=about.bus, message=about.message, signal=about.signal)
        found = episode.finding(OVERRIDE, place, text, severity=Severity.WARNING)
        told: dict[str, str | float] = {
            "machine": axis.machine.name,
            "from": code_or_label(ends[0]),
            "to": code_or_label(ends[1]),
            "wrong": "by_nobody" if is_by_nobody else "left_by_itself",
            "missing": why(AS_WRITTEN),
        }
        return replace(found, facts=paged(told, page))

    def _done(self, episode: Episode, axis: OverriddenAxis, one: OverrideSignal, what: _What) -> Finding:
        rule, lasted_ns = one.rule, int(episode.worst)
        most = self._most.get((episode.subject, episode.start_ns))
        told: dict[str, str | float] = {"machine": axis.machine.name, "wrong": what.name.lower()}
        more = ""
        if what is _What.DENIED:
            why = listed((unfulfilled(need, self._setting) for need in rule.corroborated_by), "and")
            more = f"; but {why}, so it may not have been the driver"
            told["missing"] = why
        more += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""

        def text(figures: Figures) -> str:
            said = f"{axis.machine.name} was overridden: {words.name_of(rule)} had been beyond "
            said += words.threshold(rule, one.unit, figures)
            said += f" for {seconds(lasted_ns)}" if lasted_ns else ""
            said += f", up to {figures.value(most, one.unit)}" if most is not None else ""
            return f"{on_page(said + more, rule.page)}."

        place = Place(bus=rule.signal.bus, message=rule.signal.message, signal=rule.signal.signal)
        found = episode.finding(
            OVERRIDE,
            place,
            text,
            value=most,
            limit=float(min(rule.left, rule.right)),
            severity=Severity.NOTE if what is _What.DONE else Severity.WARNING,
        )
        told |= {"lasted_s": lasted_ns / 1e9, **words.limits(rule)}
        return replace(found, facts=paged(told, rule.page))

    def _state(self, axis: OverriddenAxis, code: int) -> str:
        return state_name(code, self._setting.plan.columns[axis.states.column].signal)
