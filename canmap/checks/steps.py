"""How far the demands of one message go from the last that the kit took, as far as the spec bounds that.

Where the kit refuses such a demand (`requires` names the step), the last that it took stays the measure.
Bounded is a demand only while its axis acts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.mapping.refs import Requirement
from canmap.signals.values import Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.manual import DemandRule
    from canmap.signals.extract import Samples


class Steps:
    """Follows the values that the kit took.

    Args:
        rule: What the spec says of the demand.
        setting: Whose decode plan it is.

    Attributes:
        refuses: Whether the kit refuses a demand that goes too far.
        limits: float64[signals], how far one may go, in the unit of the signal.
    """

    def __init__(self, rule: DemandRule, setting: Setting) -> None:
        plan, refs = setting.plan, [one.signal for one in rule.largest_steps]
        columns = [plan.column_of[ref.bus, ref.message, ref.signal] for ref in refs]
        self.refuses = "step" in rule.requires
        self.limits = np.array([float(one.step) for one in rule.largest_steps])
        # A step of just so much is none too far, whatever its floating-point numbers come to.
        half = [abs(float(plan.columns[column].signal.factor)) / 2 for column in columns]
        self._bounds = self.limits + np.array(half)
        self._quantities = [Quantity.of_column(plan, column) for column in columns]
        self._taken: NDArray[np.float64] | None = None

    def forget(self) -> None:
        """Forget what was taken last: the recording has a hole."""
        self._taken = None

    def take(self, samples: Samples, good: NDArray[np.bool_], acts: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return float64[signals, n], the step of each frame where it is too far, else 0.

        Args:
            samples: Of the chunk; the frames of the demand are n.
            good: bool[n], which of them the kit takes otherwise.
            acts: bool[n], by which of them the axis acts.
        """
        told = np.zeros((len(self._quantities), len(good)))
        if not self._quantities or not len(good):
            return told
        values = np.empty_like(told)
        for row, quantity in enumerate(self._quantities):
            values[row], finite = quantity.values([samples.values(quantity.columns[0])])
            good = good if finite is None else good & finite
        places = good.nonzero()[0]
        if not len(places):
            return told
        taken = values[:, places[:1]] if self._taken is None else self._taken[:, np.newaxis]
        steps = np.diff(values[:, places], prepend=taken)
        far = (np.abs(steps) > self._bounds[:, np.newaxis]) & acts[places]
        if not far.any() or not self.refuses:
            told[:, places] = np.where(far, steps, 0.0)
            self._taken = values[:, places[-1]].copy()
            return told
        last = taken[:, 0]
        for place in places.tolist():
            step = values[:, place] - last
            beyond = (np.abs(step) > self._bounds) & acts[place]
            told[beyond, place] = step[beyond]
            last = last if beyond.any() else values[:, place]
        self._taken = last.copy()
        return told


def acts_when(rule: DemandRule, setting: Setting) -> tuple[Requirement, ...]:
    """Return when the axis of a demand acts: by its state, or else as the demand asks it to."""
    for machine in setting.spec.manual.state_machines:
        if machine.name == rule.state_machine and machine.active:
            return (Requirement(machine.signal, tuple((code, code) for code in machine.active)),)
    return rule.asks_when
