"""One state machine, chunk by chunk: what its rules say of the samples of its state and of its enable bit."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.checks.common.needs import Doubt, codes_of
from canmap.checks.common.state_course import StateCourse
from canmap.checks.states.machine_words import MachineFault, packed
from canmap.timing.newest import Moments

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.needs import Needs, NeedsAt
    from canmap.checks.common.state_course import LastState, StateSamples
    from canmap.checks.states.machine_findings import MachineFindings
    from canmap.mapping.manual import EnableRule, StateMachineRule, TransitionRule
    from canmap.stream.view import View
    from canmap.timing.newest import Newest


class Awaited(NamedTuple):
    """An enable that the machine has not followed yet.

    Attributes:
        edge_ns: Session clock of the edge.
        line: Line of the capture.
        row: Its frame in the chunk, -1 where that came before.
        state: The state of the machine at the edge.
    """

    edge_ns: int
    line: int
    row: int
    state: int


class Transition:
    """A transition as the samples show it.

    Args:
        rule: What the spec says.
        needs: The conditions.
    """

    def __init__(self, rule: TransitionRule, needs: Needs) -> None:
        self.rule = rule
        self.origin, self.target = codes_of(rule.origin), codes_of(rule.target)
        self.needs = needs.numbers(rule.when)
        self.ready_ns: int | None = None  # from when on, without a break, it has been possible

    def leaves(self, state: int) -> bool:
        """Whether it starts in a state."""
        return state in self.origin if self.origin else state not in self.target

    def joins(self, before: int, after: int) -> bool:
        """Whether it leads from one state to another."""
        return after in self.target and self.leaves(before)

    def possible(self, states: StateSamples, at: NeedsAt) -> NDArray[np.bool_]:
        """Return bool[n], at which samples the machine is where it starts, and its conditions hold."""
        ends = np.array(sorted(self.origin or self.target), np.int64)
        here = np.isin(states.state, ends)
        here = here if self.origin else ~here
        return here & at.holds[list(self.needs)].all(axis=0)


class Machine:
    """Judges one state machine.

    Args:
        number: Its number.
        rule: What the spec says of it.
        setting: Whose decode plan it is.
        needs: The conditions of all machines.
        found: Takes what is wrong.

    Attributes:
        states: The course of its state.
        needs: Numbers of the conditions of its transitions.
        columns: The columns of its state and its enable bit.
    """

    def __init__(
        self, number: int, rule: StateMachineRule, setting: Setting, needs: Needs, found: MachineFindings
    ) -> None:
        self._number, self._needs, self._found = number, needs, found
        self.states = StateCourse(rule.signal, setting)
        self._transitions = tuple(Transition(one, needs) for one in rule.transitions)
        self.needs = frozenset(number for one in self._transitions for number in one.needs)
        self._longest = tuple(
            (code, codes_of((code,)), limit_ns) for code, limit_ns in rule.longest_ns.items()
        )
        self._enable = Enable(number, rule.enable, self, setting, needs, found) if rule.enable else None
        self.columns = {self.states.column, *([self._enable.bit.column] if self._enable else [])}
        self._doubts: list[Doubt] = []
        self._seen = 0
        subject = found.subject
        self._illegal = subject(number, MachineFault.NOT_LEGAL)
        self._unmet = subject(number, MachineFault.UNMET)
        self._early = [subject(number, MachineFault.EARLY, i) for i in range(len(self._transitions))]
        self._late = [subject(number, MachineFault.LATE, i) for i in range(len(self._transitions))]
        self._long = {code: subject(number, MachineFault.LONG, code) for code in rule.longest_ns}

    @property
    def stream(self) -> int:
        """Number of the message that shows its state."""
        return self.states.slot

    @property
    def transitions(self) -> tuple[Transition, ...]:
        """The legal transitions, none where all are."""
        return self._transitions

    def cut(self, view: View) -> None:
        """Forget what was before a hole in the recording."""
        self.states.cut(view)
        if self._enable:
            self._enable.bit.cut(view)

    def fold(self, view: View, newest: Newest) -> None:
        """Judge the samples of one chunk."""
        before = self.states.last
        states = self.states.take(view)
        if len(states):
            moments = Moments(states.rows, states.clock)
            at = self._needs.at(newest, moments, 2 * self._number, self.needs)
            for k in states.changed.nonzero()[0].tolist():
                self._judge_change(view, states, before, at, k)
            self._judge_durations(view, states, at)
            self._seen += len(states)
        if self._enable:
            self._enable.fold(view, newest, states, before)
        self._doubts = self._found.settle(self._doubts, view)

    def _judge_change(
        self, view: View, states: StateSamples, last: LastState | None, at: NeedsAt, k: int
    ) -> None:
        before, after = int(states.before[k]), int(states.state[k])
        clock_ns, row = int(states.clock[k]), int(states.rows[k])
        line = int(view.prepared.chunk.line[row])
        taken = [i for i, one in enumerate(self._transitions) if one.joins(before, after)]
        if self._transitions and not taken:
            if not self._may_be_unseen(before, after, int(states.before_ns[k]), clock_ns):
                self._found.happened(self._illegal, clock_ns, packed(before, after), clock_ns, line)
            return
        ways = tuple(at.missing(k, self._transitions[i].needs) for i in taken)
        if ways and all(ways):
            self._doubts.append(Doubt(self._unmet, before, after, clock_ns, line, row, ways))
        self._judge_early(states, last, k, taken, line)

    def _judge_early(
        self, states: StateSamples, before: LastState | None, k: int, taken: list[int], line: int
    ) -> None:
        """Tell that the old state was left before the shortest time in it, where its begin was seen."""
        limits = [(self._transitions[i].rule.at_least_after_ns or 0, i) for i in taken]
        least_ns, number = min(limits, default=(0, 0))
        lasted_ns = states.lasted_ns(k, before) if least_ns else None
        if lasted_ns is not None and lasted_ns + self.states.slack_ns < least_ns:
            clock_ns = int(states.clock[k])
            self._found.happened(self._early[number], clock_ns, lasted_ns, clock_ns, line)

    def _may_be_unseen(self, before: int, after: int, before_ns: int, clock_ns: int) -> bool:
        """Whether a state in between may have been too short for any sample to show it."""
        unseen_ns = self.states.unseen_ns(before_ns, clock_ns)
        onward = [one for one in self._transitions if after in one.target]
        between = {
            state
            for one in self._transitions
            if one.leaves(before)
            for state in one.target
            if state not in {before, after}
        }
        return unseen_ns > 0 and any(
            one.leaves(state) and (one.rule.at_least_after_ns or 0) <= unseen_ns
            for state in between
            for one in onward
        )

    def _judge_durations(self, view: View, states: StateSamples, at: NeedsAt) -> None:
        slack_ns = self.states.slack_ns
        lasted_ns = states.clock - states.since_ns
        for code, held, limit_ns in self._longest:
            here = states.state == next(iter(held))
            too_long = here & (lasted_ns > limit_ns + slack_ns)
            self._found.lasted(self._long[code], view, states, self._seen, too_long, lasted_ns)
        for i, one in enumerate(self._transitions):
            if one.rule.within_ns is not None:
                waited_ns = _waited(one, states, at)
                too_long = waited_ns > one.rule.within_ns + slack_ns
                self._found.lasted(self._late[i], view, states, self._seen, too_long, waited_ns)


def _waited(one: Transition, states: StateSamples, at: NeedsAt) -> NDArray[np.int64]:
    """Return int64[n], for how long a transition has been possible at each sample, in ns."""
    possible = one.possible(states, at)
    goes_on = np.zeros(len(states), np.bool_)
    goes_on[1:] = possible[:-1]
    goes_on[:1] = one.ready_ns is not None
    begins = possible & (~goes_on | states.anew | states.changed)
    place = np.maximum.accumulate(np.where(begins, np.arange(len(states)), -1))
    since_ns = states.clock[place]
    since_ns[place < 0] = one.ready_ns or 0
    one.ready_ns = int(since_ns[-1]) if possible[-1] else None
    return np.where(possible, states.clock - since_ns, 0)


class Enable:
    """Judges the edges of the enable bit of a machine, and whether the machine follows.

    Args:
        number: Number of the machine.
        rule: What the spec says.
        machine: The machine.
        setting: Whose decode plan it is.
        needs: The conditions of all machines.
        found: Takes what is wrong.

    Attributes:
        bit: The course of the bit.
    """

    def __init__(  # what a part of a machine is made of
        self,
        number: int,
        rule: EnableRule,
        machine: Machine,
        setting: Setting,
        needs: Needs,
        found: MachineFindings,
    ) -> None:
        self._rule, self._machine, self._needs, self._found = rule, machine, needs, found
        self.bit = StateCourse(rule.signal, setting, as_bit=True)
        self._course = 2 * number + 1
        self._asked = int(rule.edge == "rising")
        self._wanted = needs.numbers(rule.when)
        self._to = codes_of(rule.to)
        self._unmet = found.subject(number, MachineFault.ENABLE_UNMET)
        self._short = found.subject(number, MachineFault.ENABLE_SHORT)
        self._ignored = found.subject(number, MachineFault.ENABLE_IGNORED)
        self._doubts: list[Doubt] = []
        self._awaited: Awaited | None = None

    def fold(self, view: View, newest: Newest, states: StateSamples, state: LastState | None) -> None:
        """Judge the edges of one chunk; `state` is the newest one of the machine before it."""
        before = self.bit.last
        bits = self.bit.take(view)
        if len(bits):
            moments = Moments(bits.rows, bits.clock)
            at = self._needs.at(newest, moments, self._course, {*self._wanted, *self._machine.needs})
            for k in (bits.changed & (bits.state == self._asked)).nonzero()[0].tolist():
                self._follow(bits, states)
                self._judge_edge(view, bits, at, k, bits.lasted_ns(k, before))
                self._await(view, bits, at, k, self._state_at(states, state, bits, k))
        self._follow(bits, states)
        if self._awaited:
            self._awaited = self._awaited._replace(row=-1)
        self._doubts = self._found.settle(self._doubts, view)

    def _state_at(
        self, states: StateSamples, last: LastState | None, bits: StateSamples, k: int
    ) -> int | None:
        """The state of the machine at an edge, None where it is not known."""
        place = int(states.rows.searchsorted(bits.rows[k])) - 1
        if place >= 0:
            newest: tuple[int, int] | None = int(states.state[place]), int(states.clock[place])
        else:
            newest = None if last is None else (last.state, last.clock_ns)
        longest_ns = self._machine.states.rule.stale_after_ns
        if newest is None or (longest_ns is not None and int(bits.clock[k]) - newest[1] > longest_ns):
            return None
        return newest[0]

    def _judge_edge(self, view: View, bits: StateSamples, at: NeedsAt, k: int, lasted_ns: int | None) -> None:
        edge_ns, row = int(bits.clock[k]), int(bits.rows[k])
        line = int(view.prepared.chunk.line[row])
        missing = at.missing(k, self._wanted)
        if missing:
            self._doubts.append(Doubt(self._unmet, 0, 1, edge_ns, line, row, (missing,)))
        if lasted_ns is not None and self._too_short(lasted_ns):
            self._found.happened(self._short, edge_ns, lasted_ns, edge_ns, line)

    def _too_short(self, lasted_ns: int) -> bool:
        return lasted_ns + self.bit.slack_ns < (self._rule.low_for_ns or 0)

    def _await(self, view: View, bits: StateSamples, at: NeedsAt, k: int, state: int | None) -> None:
        """Await that the machine follows an edge that it has to follow."""
        self._awaited = None
        if self._rule.within_ns is None or state is None or not self._leads(state, at, k):
            return
        row = int(bits.rows[k])
        line = int(view.prepared.chunk.line[row])
        self._awaited = Awaited(int(bits.clock[k]), line, row, state)

    def _leads(self, state: int, at: NeedsAt, k: int) -> bool:
        """Whether an edge in a state has to lead to another."""
        if state in self._to or not all(at.holds[i, k] for i in self._wanted):
            return False
        transitions = self._machine.transitions
        return not transitions or any(
            one.leaves(state)
            and (not self._to or bool(one.target & self._to))
            and all(at.holds[i, k] for i in one.needs)
            for one in transitions
        )

    def _follow(self, bits: StateSamples, states: StateSamples) -> None:
        """See whether the machine has followed, or the enable was taken back before it had to."""
        awaited = self._awaited
        if awaited is None:
            return
        limit_ns = (self._rule.within_ns or 0) + self._machine.states.slack_ns
        first = int(states.rows.searchsorted(awaited.row, side="right"))
        other = states.anew[first:] | (states.state[first:] != awaited.state)
        stops = np.flatnonzero(other | (states.clock[first:] - awaited.edge_ns > limit_ns))
        later = int(bits.rows.searchsorted(awaited.row, side="right"))
        back = np.flatnonzero(bits.anew[later:] | (bits.state[later:] != self._asked))
        if len(stops) or len(back):
            self._awaited = None
        if not len(stops) or other[stops[0]]:
            return
        k = first + int(stops[0])
        if not len(back) or bits.rows[later + back[0]] > states.rows[k]:
            clock_ns = int(states.clock[k])
            self._found.happened(
                self._ignored, awaited.edge_ns, packed(awaited.state), clock_ns, awaited.line
            )
