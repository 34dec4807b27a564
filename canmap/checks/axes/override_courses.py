"""What overrides and the axes that they take say, chunk by chunk."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.axes import override_words as words
from canmap.checks.common.held_signals import NEVER_NS, HeldSignal
from canmap.checks.common.needs import codes_of
from canmap.checks.common.offgaps import TOLERATED
from canmap.checks.common.state_course import StateCourse, StayAmong
from canmap.mapping.refs import Requirement
from canmap.timing.newest import Moments

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.held_signals import HeldSamples
    from canmap.checks.common.needs import Doubt, Needs, NeedsAt
    from canmap.checks.common.state_course import StateSamples
    from canmap.mapping.manual import StateMachineRule
    from canmap.mapping.override_rules import OverrideRule
    from canmap.stream.view import View
    from canmap.timing.newest import Newest


class Asked(NamedTuple):
    """What an override says at the samples of a chunk.

    Attributes:
        held: For how long its signal has been beyond the threshold.
        borne_ns: int64[n + 1], session clock of the newest sample that is borne out.
    """

    held: HeldSamples
    borne_ns: NDArray[np.int64]


class OverrideSignal:
    """One override: its signal, and what bears it out."""

    def __init__(self, rule: OverrideRule, setting: Setting, needs: Needs, course: int) -> None:
        self.rule = rule
        self.longer_ns = rule.longer_than_ns or 0
        self.signal = HeldSignal(rule.signal, words.says_override(rule, setting), self.longer_ns, setting)
        self.unit = words.described(rule, setting).unit
        self._needs, self._course = needs, course
        self._wanted = needs.numbers(rule.corroborated_by)
        self._borne_ns = NEVER_NS

    def take(self, view: View, newest: Newest) -> Asked:
        """Go on with the samples of a chunk."""
        held = self.signal.take(view)
        at = self._needs.at(newest, Moments(held.rows, held.clock[1:]), self._course, self._wanted)
        denied = at.fails[list(self._wanted)].any(axis=0)
        borne_ns = np.append(self._borne_ns, np.where(denied, NEVER_NS, held.clock[1:]))
        borne_ns = np.maximum.accumulate(borne_ns)
        self._borne_ns = int(borne_ns[-1])
        return Asked(held, borne_ns)


@dataclass(slots=True)
class OverriddenByNobody:
    """An axis that went to overridden though nobody was seen to ask for it, until the next samples agree.

    Attributes:
        before: The state before.
        after: The state after.
        start_ns: When.
        before_ns: When the state before was seen last.
        line: Line of the capture.
        row: Its frame in the chunk, -1 where that came before.
        open: The overrides whose next sample is still to come.
        known_ns: When the newest of the others came.
    """

    before: int
    after: int
    start_ns: int
    before_ns: int
    line: int
    row: int
    open: set[int]
    known_ns: int


class OverriddenAxis:
    """One state machine, and the overrides that take it from the computer."""

    def __init__(
        self,
        machine: StateMachineRule,
        overrides: dict[int, OverrideSignal],
        setting: Setting,
        needs: Needs,
        course: int,
    ) -> None:
        self.machine, self.overrides = machine, overrides
        self.states = StateCourse(machine.signal, setting)
        self.active, self.overridden = StayAmong(machine.active), StayAmong(machine.overridden)
        self._active_codes, self.codes = codes_of(machine.active), codes_of(machine.overridden)
        period_ns = self.states.rule.period_ns or 0
        self.slack_ns = self.states.slack_ns + period_ns * TOLERATED[0] // TOLERATED[1]
        self.seen = 0
        self.pending: list[OverriddenByNobody] = []
        self.doubts: list[Doubt] = []
        self._needs, self._course = needs, course
        self.is_latched = all(one.rule.latched for one in overrides.values())
        self.wanted = needs.numbers(resets_of(machine, [one.rule for one in overrides.values()]))
        self._reset_ns = NEVER_NS

    def window_ns(self, number: int) -> int:
        """How long before an axis is overridden its signal may have been beyond the threshold last."""
        one = self.overrides[number]
        return one.rule.within_ns + one.signal.slack_ns + self.slack_ns

    def may_act_after(self, state: int) -> bool:
        """Whether the axis acts in a state, or can from there on."""
        onward = [codes_of(one.target) for one in self.machine.transitions if state in codes_of(one.origin)]
        return state in self._active_codes or any(self._active_codes & target for target in onward)

    def resets(self, states: StateSamples, newest: Newest) -> tuple[NeedsAt, NDArray[np.int64]]:
        """Return how the reset stands at the samples, and int64[n], when it was seen last up to each."""
        at = self._needs.at(newest, Moments(states.rows, states.clock), self._course, self.wanted)
        fails = at.fails[list(self.wanted)].any(axis=0)
        seen_ns = np.append(self._reset_ns, np.where(fails, NEVER_NS, states.clock))
        seen_ns = np.maximum.accumulate(seen_ns)
        self._reset_ns = int(seen_ns[-1])
        return at, seen_ns[1:]


def resets_of(machine: StateMachineRule, rules: list[OverrideRule]) -> tuple[Requirement, ...]:
    """What resets an axis: as an override says, or else that its enable bit is taken back."""
    stated = next((rule.reset_when for rule in rules if rule.reset_when), ())
    if stated or machine.enable is None:
        return stated
    off = ((0, 0),) if machine.enable.edge == "rising" else ((1, 1),)
    return (Requirement(machine.enable.signal, off),)
