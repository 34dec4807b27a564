"""State machines: how their states follow each other, how long they last, and how they are enabled.

A message shows a state once a period, so times are judged with a slack of that period and of its latency. A
transition is legal too if it may have gone through a state that was too short for any sample to show it.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from canmap.checks.check import Check
from canmap.checks.common.needs import Needs
from canmap.checks.states.machine import Machine
from canmap.checks.states.machine_findings import STATE, MachineFindings
from canmap.timing.newest import Newest

if TYPE_CHECKING:
    from canmap.checks.check import End, Setting
    from canmap.findings.episodes import Event
    from canmap.findings.finding import Finding
    from canmap.stream.view import View


class StateCheck(Check[None]):
    """Judges every state machine of the spec."""

    kinds = (STATE,)

    def __init__(self, setting: Setting) -> None:
        rules = setting.spec.manual.state_machines
        needs = Needs(
            (
                need
                for rule in rules
                for when in (*(one.when for one in rule.transitions), rule.enable.when if rule.enable else ())
                for need in when
            ),
            setting,
        )
        self._found = MachineFindings(setting, needs)
        self._machines = tuple(Machine(i, rule, setting, needs, self._found) for i, rule in enumerate(rules))
        self._columns = sorted(needs.columns.union(*(machine.columns for machine in self._machines)))
        self._newest = Newest(needs.columns, len(setting.plan.columns))

    def fold(self, view: View, _part: None) -> list[Event]:
        """Judge the states of one chunk."""
        for machine in self._machines:
            machine.cut(view)
        starts = view.prepared.samples.column_start
        if not (starts[self._columns] < starts[[column + 1 for column in self._columns]]).any():
            return []
        self._newest.begin(view.prepared, view.clock)
        for machine in self._machines:
            machine.fold(view, self._newest)
        self._newest.carry()
        return self._found.events()

    def finish(self, end: End) -> list[Event]:
        """Close what is open."""
        self._found.finish(end, [machine.stream for machine in self._machines])
        return self._found.events()

    def findings(self) -> list[Finding]:
        """Return all findings so far."""
        return list(chain.from_iterable(self._found.findings()))
