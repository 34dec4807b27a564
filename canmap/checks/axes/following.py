"""While an axis follows its demand at all: under conditions that messages of their own pace tell.

A kit may let an axis do something else, as when it brakes by itself, before its messages say so. So what is
found of such an axis waits, and counts only if by then none of them has said that it does not follow.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.offgaps import TOLERATED
from canmap.signals.extract import among
from canmap.timing.conditions import Condition, all_hold
from canmap.timing.newest import Moments

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.refs import Requirement
    from canmap.stream.view import View
    from canmap.timing.newest import Newest


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What is found of samples of an axis, in their order.

    Attributes:
        clock: int64[n], session clock of each.
        values: float64[n], what findings tell of each.
        faulty: bool[n], which are wrong.
        good: bool[n], which are right.
        line: int64[n], line of the capture.
    """

    clock: NDArray[np.int64]
    values: NDArray[np.float64]
    faulty: NDArray[np.bool_]
    good: NDArray[np.bool_]
    line: NDArray[np.int64]

    def __len__(self) -> int:
        """Return how many they are."""
        return len(self.clock)

    def part(self, rows: slice) -> Verdicts:
        """Return some of them."""
        return Verdicts(
            *(self.clock[rows], self.values[rows], self.faulty[rows], self.good[rows], self.line[rows])
        )

    def joined(self, later: Verdicts) -> Verdicts:
        """Return these and later ones."""
        return Verdicts(
            np.concatenate((self.clock, later.clock)),
            np.concatenate((self.values, later.values)),
            np.concatenate((self.faulty, later.faulty)),
            np.concatenate((self.good, later.good)),
            np.concatenate((self.line, later.line)),
        )


def _none() -> Verdicts:
    nothing, no = np.zeros(0, np.int64), np.zeros(0, np.bool_)
    return Verdicts(nothing, np.zeros(0), no, no, nothing)


class Following:
    """The conditions under which one axis follows its demand, and what waits for them.

    Args:
        when: What has to hold.
        slot: Slot of the message that reports the axis.
        setting: Whose decode plan and rules it is.

    Attributes:
        columns: The columns that tell the conditions.
        wait_ns: For how long a verdict waits.
    """

    def __init__(self, when: Sequence[Requirement], slot: int, setting: Setting) -> None:
        plan = setting.plan
        self.columns = {plan.column_of[one.ref.bus, one.ref.message, one.ref.signal] for one in when}
        rules = [setting.rules[plan.columns[column].slot] for column in self.columns]
        of_column = {column: setting.rules[plan.columns[column].slot] for column in self.columns}
        self._conditions = []
        for one in when:
            column = plan.column_of[one.ref.bus, one.ref.message, one.ref.signal]
            holds_ns = of_column[column].stale_after_ns
            self._conditions.append(Condition.of(one, plan, holds_for_ns=holds_ns, own_frame_counts=True))
        paces = [(rule.period_ns or 0) + rule.longest_latency_ns for rule in (*rules, setting.rules[slot])]
        self.wait_ns = max(paces) + max(paces) * TOLERATED[0] // TOLERATED[1]
        self._ended_ns = np.zeros(0, np.int64)
        self._waiting = _none()

    def holds(self, newest: Newest, rows: NDArray[np.intp], clock: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return bool[n], at which samples of the axis it follows its demand."""
        return all_hold(self._conditions, newest, Moments(rows, clock))

    def take(self, view: View) -> None:
        """Note when a chunk says that the axis does not follow."""
        samples = view.prepared.samples
        for condition in self._conditions:
            rows, raw = samples.positions(condition.column), samples.values(condition.column)
            self.ended(view.clock[rows[~among(raw, condition.kind, condition.accepts)]])

    def ended(self, clock: NDArray[np.int64]) -> None:
        """Note times, int64[k], at which something else says so."""
        if len(clock):
            self._ended_ns = np.sort(np.concatenate((self._ended_ns, clock)))

    def wait(self, verdicts: Verdicts) -> None:
        """Let verdicts wait."""
        self._waiting = self._waiting.joined(verdicts)

    def ripe(self, now_ns: int, *, last: bool = False) -> Verdicts:
        """Return the verdicts that have waited; `last`: all, though some of them have not for long enough."""
        ripe_ns = now_ns - self.wait_ns
        waiting = self._waiting
        count = len(waiting) if last else int(waiting.clock.searchsorted(ripe_ns))
        found, self._waiting = waiting.part(slice(count)), waiting.part(slice(count, None))
        first = self._ended_ns.searchsorted(found.clock, side="right")
        until = self._ended_ns.searchsorted(found.clock + self.wait_ns, side="right")
        sure = (first == until) & (found.clock < ripe_ns)
        gone = int(self._ended_ns.searchsorted(ripe_ns))
        self._ended_ns = self._ended_ns[gone:]
        return Verdicts(found.clock, found.values, found.faulty & sure, found.good, found.line)
