"""Axes that go on acting after a fault that the manual says they let go at.

Judged at the samples of the axis' state, with a slack of the periods and latencies of both messages; nothing
is judged across a silence of either, nor across a hole in the recording.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.words import listed, seconds, times
from canmap.checks.check import EpisodeCheck
from canmap.checks.common.held_signals import HeldSignal, Stays
from canmap.checks.common.needs import state_name
from canmap.checks.common.offgaps import TOLERATED
from canmap.checks.common.pages import on_page, paged
from canmap.checks.common.state_course import StateCourse, StayAmong
from canmap.checks.faults.fault_bits import name_of_fault, reports_fault
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.held_signals import Says
    from canmap.findings.episodes import Episode, Event
    from canmap.mapping.fault_rules import FaultRule, LeadsTo
    from canmap.mapping.manual import StateMachineRule
    from canmap.signals.plan import ColumnKind
    from canmap.stream.view import View

FAULT_IGNORED = Kind("fault_ignored", Severity.ERROR)


class _Reaction:
    """One fault and one axis that it takes out of action."""

    def __init__(
        self, fault: FaultRule, leads_to: LeadsTo, machine: StateMachineRule, setting: Setting
    ) -> None:
        self.fault, self.machine = fault, machine
        self.signal = HeldSignal(fault.signal, _says(fault), fault.debounce_ns, setting)
        self.states, self.active = StateCourse(machine.signal, setting), StayAmong(machine.active)
        period_ns = self.states.rule.period_ns or 0
        jitter_ns = period_ns * TOLERATED[0] // TOLERATED[1] + self.signal.jitter_ns
        self.limit_ns = fault.within_ns + self.states.slack_ns + jitter_ns
        described = setting.plan.columns[self.states.column].signal
        self.wanted = listed(state_name(code, described) for code in leads_to.states)
        self.slots = [self.signal.slot, self.states.slot]
        self.seen = 0


def _says(fault: FaultRule) -> Says:
    def says(
        raw: NDArray[np.int64], _kind: ColumnKind
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
        reports = reports_fault(fault, raw)
        return reports, reports, np.zeros(len(raw))

    return says


class FaultReactions(EpisodeCheck[None]):
    """Judges every fault that the spec says leads to a state of an axis."""

    kinds = (FAULT_IGNORED,)

    def __init__(self, setting: Setting) -> None:
        machines = {machine.name: machine for machine in setting.spec.manual.state_machines}
        self._reactions = [
            _Reaction(fault, leads_to, machines[leads_to.machine], setting)
            for fault in setting.spec.manual.faults
            for leads_to in fault.leads_to
        ]
        self._episodes = Episodes(self._describe)

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the samples of one chunk."""
        starts = view.prepared.samples.slot_start
        came = starts[1:] > starts[:-1]
        for subject, one in enumerate(self._reactions):
            if view.holes:
                one.signal.cut(view)
                one.states.cut(view)
            if came[one.slots].any():
                self._judge(subject, one, view)
        return self._episodes.events()

    def _judge(self, subject: int, one: _Reaction, view: View) -> None:
        held, states = one.signal.take(view), one.states.take(view)
        if not len(states):
            return
        stays = Stays.of(states, one.active.take(states), held, one.signal, one.limit_ns)
        stays.tell(self._episodes, subject, one.seen, states, view)
        one.seen += len(states)

    def _until_ns(self, end: End, subject: int) -> int:
        return super()._until_ns(end, self._reactions[subject].states.slot)

    def _describe(self, episode: Episode) -> Finding:
        one = self._reactions[episode.subject]
        fault, stays_ns = one.fault, int(episode.worst)
        text = f"{one.machine.name} was still active {seconds(stays_ns)} after {name_of_fault(fault)} had "
        text += f"reported: {fault.text.rstrip('.')}"
        text += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
        limit_ns = fault.debounce_ns + fault.within_ns
        text += f"; it has to go to {one.wanted}" + (f" within {seconds(limit_ns)}" if limit_ns else "")
        place = Place(bus=fault.signal.bus, message=fault.signal.message, signal=fault.signal.signal)
        found = episode.finding(
            FAULT_IGNORED,
            place,
            f"{on_page(text, fault.page)}.",
            value=stays_ns / 1e9,
            limit=limit_ns / 1e9,
        )
        told: dict[str, str | float] = {"machine": one.machine.name, "text": fault.text, "to": one.wanted}
        if fault.bit is not None or fault.codes:
            told["bit" if fault.bit is not None else "code"] = (
                fault.codes[0] if fault.codes else fault.bit or 0
            )
        return replace(found, facts=paged(told, fault.page))
