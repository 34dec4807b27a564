"""What is found of state machines, and the sentences that say it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from canmap.base.words import times
from canmap.checks.common.occurrences import Occurrences
from canmap.checks.common.pages import on_page
from canmap.checks.states.machine_words import MachineFault, Sentences, packed
from canmap.findings.episodes import Episodes
from canmap.findings.finding import Finding, Kind, Place, Severity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from canmap.checks.check import End, Setting
    from canmap.checks.common.needs import Doubt, Needs
    from canmap.checks.common.state_course import StateSamples
    from canmap.findings.episodes import Episode, Event
    from canmap.stream.view import View

STATE = Kind("state", Severity.ERROR)  # a warning where a state was left too early
_EARLY = {MachineFault.EARLY, MachineFault.ENABLE_SHORT}
_OF_ENABLE = {MachineFault.ENABLE_UNMET, MachineFault.ENABLE_SHORT}


class _Subject(NamedTuple):
    """What a finding is about.

    Attributes:
        machine: Number of the machine.
        wrong: What is wrong with it.
        part: Number of the transition, or the state.
    """

    machine: int
    wrong: MachineFault
    part: int


class MachineFindings:
    """Takes what is wrong with state machines.

    Args:
        setting: Of the machines.
        needs: Their conditions.
    """

    def __init__(self, setting: Setting, needs: Needs) -> None:
        self._needs, self._sentences = needs, Sentences(setting, needs)
        self._rules = setting.spec.manual.state_machines
        self._subjects: list[_Subject] = []
        self._moments = Occurrences(self._describe, self._excess)
        self._spans = Episodes(self._describe)

    def subject(self, machine: int, wrong: MachineFault, part: int = 0) -> int:
        """Return the number by which something that may be wrong is added."""
        self._subjects.append(_Subject(machine, wrong, part))
        return len(self._subjects) - 1

    def happened(self, subject: int, start_ns: int, value: int, known_ns: int, line: int) -> None:
        """Add what was wrong at a moment; `value` is a time in ns, or what was `packed`."""
        self._moments.add(subject, start_ns, start_ns, value, known_ns, line)

    def lasted(  # what one stretch of samples is
        self,
        subject: int,
        view: View,
        states: StateSamples,
        seen: int,
        faulty: NDArray[np.bool_],
        lasted_ns: NDArray[np.int64],
    ) -> None:
        """Add the samples, bool[n], at which something has lasted too long; `seen` came before them."""
        if subject not in self._spans.open_subjects and not faulty.any():
            return
        self._spans.judge(
            subject=subject,
            seen=seen,
            faulty=faulty,
            good=~faulty,
            clock=states.clock,
            worst=lambda first, last: int(lasted_ns[first : last + 1][faulty[first : last + 1]].max()),
            line=lambda first: int(view.prepared.chunk.line[states.rows[first]]),
        )

    def settle(self, doubts: list[Doubt], view: View) -> list[Doubt]:
        """Add the doubts that have become certain, and return those that are left."""
        left = []
        for doubt in doubts:
            if self._needs.settle(doubt, view):
                left.append(doubt)
            elif doubt.known_ns is not None:
                value = packed(doubt.before, doubt.after, doubt.missing)
                self.happened(doubt.subject, doubt.start_ns, value, doubt.known_ns, doubt.line)
        return left

    def finish(self, end: End, streams: Sequence[int]) -> None:
        """Close what is open; `streams` are the messages of the machines."""
        self._spans.finish(
            lambda subject: int(end.timeline.until_ns[streams[self._subjects[subject].machine]])
        )
        self._moments.finish()

    def events(self) -> list[Event]:
        """Return what opened and closed since the last call."""
        return [*self._moments.events(), *self._spans.events()]

    def findings(self) -> Iterator[Iterator[Finding]]:
        """Yield the findings so far."""
        yield self._moments.findings()
        yield self._spans.findings()

    def _excess(self, subject: int, value: float) -> float:
        return -value if self._subjects[subject].wrong in _EARLY else 0

    def _describe(self, episode: Episode) -> Finding:
        subject = self._subjects[episode.subject]
        rule, wrong = self._rules[subject.machine], subject.wrong
        about = rule.enable.signal if rule.enable and wrong in _OF_ENABLE else rule.signal
        said = self._sentences.of(rule, wrong, subject.part, int(episode.worst))
        text, limit_ns, page = said.text, said.limit_ns, said.page or rule.page
        text += f", and {times(episode.more, 'more time')} that are not listed" if episode.more else ""
        found = episode.finding(
            STATE,
            Place(bus=about.bus, message=about.message, signal=about.signal),
            f"{on_page(text, page)}.",
            value=None if limit_ns is None else episode.worst / 1e9,
            limit=None if limit_ns is None else limit_ns / 1e9,
            severity=Severity.WARNING if wrong in _EARLY else STATE.severity,
        )
        told = {"machine": rule.name, "wrong": wrong.value, **said.facts, "page": page or None}
        return replace(found, facts={name: what for name, what in told.items() if what is not None})
