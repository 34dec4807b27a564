"""How far the demands of one message go from the last that the kit took, and how fast, where that is bounded.

Where the kit refuses such a demand (`requires` names the step, or the slew), the last that it took stays the
measure. Bounded is a demand only while its axis acts. A change has the time since that frame, a period of the
demand at least and the jitter of one more; over a step of the recorder's clock no rate is judged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.common.offgaps import TOLERATED
from canmap.frames.session import HELD_BACK_NS
from canmap.mapping.refs import Requirement
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.manual import DemandLimit, DemandRule
    from canmap.signals.extract import Samples


class DemandsSent(NamedTuple):
    """The frames of a demand in a chunk.

    Attributes:
        clock: int64[n], session clock of each.
        stamp_ns: int64[n], its stamp.
        good: bool[n], which of them the kit takes, as far as steps and rates do not tell.
    """

    clock: NDArray[np.int64]
    stamp_ns: NDArray[np.int64]
    good: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Taken:
    """The demand that the kit took last: float64[limits] values, session clock and stamp."""

    values: NDArray[np.float64]
    clock_ns: int
    stamp_ns: int


class Steps:
    """Follows the values that the kit took.

    Args:
        rule: What the spec says of the demand.
        setting: Whose decode plan it is.
        period_ns: Period of the demand, 0 where none is promised.

    Attributes:
        refuses: bool[limits], whether the kit refuses a demand that goes beyond each.
    """

    def __init__(self, rule: DemandRule, setting: Setting, period_ns: int) -> None:
        plan, refs = setting.plan, [one.signal for one in rule.limits]
        columns = [plan.column_of[ref.bus, ref.message, ref.signal] for ref in refs]
        self._is_rate = np.array([one.is_rate for one in rule.limits], np.bool_)
        self.refuses = np.where(self._is_rate, "slew" in rule.requires, "step" in rule.requires)
        self._limits = np.array([[float(one.limit)] for one in rule.limits]).reshape(-1, 1)
        signals = [plan.columns[column].signal for column in columns]
        self._slack = np.array([[_slack(*one)] for one in zip(rule.limits, signals, strict=True)]).reshape(
            -1, 1
        )
        self._quantities = [Quantity.of_column(plan, column) for column in columns]
        self._period_ns = period_ns
        self._jitter_ns = period_ns * TOLERATED[0] // TOLERATED[1]
        self._taken: _Taken | None = None

    def forget(self) -> None:
        """Forget what was taken last: the recording has a hole."""
        self._taken = None

    def take(self, samples: Samples, sent: DemandsSent, acts: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return float64[limits, n], of each frame the step, or the rate, where it is too far, else 0.

        Args:
            samples: Of the chunk; the frames of the demand are n.
            sent: The same frames.
            acts: bool[n], by which of them the axis acts.
        """
        told = np.zeros((len(self._quantities), len(sent.good)))
        if not self._quantities or not len(sent.good):
            return told
        values, good = np.empty_like(told), sent.good
        for row, quantity in enumerate(self._quantities):
            values[row], finite = quantity.values([samples.values(quantity.columns[0])])
            good = good if finite is None else good & finite
        places = good.nonzero()[0]
        if not len(places):
            return told
        values, clock, stamp, acts = (
            values[:, places],
            sent.clock[places],
            sent.stamp_ns[places],
            acts[places],
        )
        last = self._taken or _Taken(values[:, 0], int(clock[0]), int(stamp[0]))
        before = np.column_stack((last.values, values[:, :-1]))
        since = np.concatenate(([last.clock_ns], clock[:-1])), np.concatenate(([last.stamp_ns], stamp[:-1]))
        excess = self._excess(values - before, clock - since[0], stamp - since[1]) * acts
        newest = len(places) - 1
        if excess[self.refuses].any():
            newest = self._refuse(excess, values, clock, stamp, acts, last)
        told[:, places] = excess
        if newest >= 0:
            self._taken = _Taken(values[:, newest].copy(), int(clock[newest]), int(stamp[newest]))
        else:
            self._taken = last
        return told

    def _refuse(
        self,
        excess: NDArray[np.float64],
        values: NDArray[np.float64],
        clock: NDArray[np.int64],
        stamp: NDArray[np.int64],
        acts: NDArray[np.bool_],
        last: _Taken,
    ) -> int:
        """Put right what is beyond the limits, one by one, and return which was taken last, -1 for none."""
        newest = -1
        for place in range(len(clock)):
            at = values[:, place : place + 1] - last.values[:, np.newaxis]
            passed = clock[place : place + 1] - last.clock_ns, stamp[place : place + 1] - last.stamp_ns
            excess[:, place] = self._excess(at, *passed)[:, 0] * acts[place]
            if not excess[self.refuses, place].any():
                last, newest = _Taken(values[:, place], int(clock[place]), int(stamp[place])), place
        return newest

    def _excess(
        self, change: NDArray[np.float64], passed_ns: NDArray[np.int64], stamped_ns: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return float64[limits, n], the change, or how fast it was, where it is beyond its limit, else 0."""
        is_rate = self._is_rate[:, np.newaxis]
        known = (np.abs(stamped_ns - passed_ns) <= HELD_BACK_NS) & (
            np.maximum(passed_ns, self._period_ns) > 0
        )
        time_s = np.maximum(passed_ns, max(self._period_ns, 1)) / 1e9
        allowed = (
            np.where(is_rate, self._limits * (time_s + self._jitter_ns / 1e9), self._limits) + self._slack
        )
        far = (np.abs(change) > allowed) & (known | ~is_rate)
        return np.where(far, np.where(is_rate, change / time_s, change), 0.0)


def _slack(one: DemandLimit, signal: DescribedSignal) -> float:
    """How much beyond its limit a change may be: of rounding, in the unit of the signal.

    A step of just so much is none too far, whatever its floating-point numbers come to; at a rate both values
    are rounded to counts. A floating-point number has no counts, but 24 bits or more.
    """
    if signal.is_float:
        return float(one.limit) * 2.0**-20
    return abs(float(signal.factor)) * (1.0 if one.is_rate else 0.5)


def acts_when(rule: DemandRule, setting: Setting) -> tuple[Requirement, ...]:
    """Return when the axis of a demand acts: by its state, or else as the demand asks it to."""
    for machine in setting.spec.manual.state_machines:
        if machine.name == rule.state_machine and machine.active:
            return (Requirement(machine.signal, tuple((code, code) for code in machine.active)),)
    return rule.asks_when
