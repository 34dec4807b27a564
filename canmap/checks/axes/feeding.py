"""What feeds a watchdog: the fresh frames of its demands, and which of them ask the axis to act.

A frame that failed (its checksum is wrong, or it repeats its counter) is not fresh, nor is one that is too
short, out of its described range, or too far or too fast from the one before, where the kit checks that, or
known not to fulfil `fresh_when`. So many bad frames in a row as are tolerated feed the watchdog all the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.checks.axes.steps import DemandsSent, Steps, acts_when
from canmap.signals.extract import among
from canmap.signals.limits import raw_limits
from canmap.signals.plan import ColumnKind
from canmap.timing.newest import Moments

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.checks.common.needs import Needs
    from canmap.mapping.manual import DemandRule
    from canmap.mapping.refs import Requirement
    from canmap.signals.extract import Samples
    from canmap.stream.view import View
    from canmap.timing.newest import Newest

NEVER_NS = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class Feeds:
    """What feeds a watchdog in one chunk, and what was last before it.

    Attributes:
        rows: intp[n], frames that feed it, ascending.
        clock: int64[n + 1], session clock of the one before the chunk, NEVER_NS for none, and of each.
        told: intp[m], frames that say whether the axis is asked, ascending.
        asks: bool[m + 1], whether it is before the chunk, and by each.
    """

    rows: NDArray[np.intp]
    clock: NDArray[np.int64]
    told: NDArray[np.intp]
    asks: NDArray[np.bool_]

    def last_ns(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Return int64[k], session clock of the newest that feeds at each of some frames; NEVER_NS: none."""
        return self.clock[self.rows.searchsorted(rows, side="right")]

    def asked(self, row: int) -> bool:
        """Whether the axis is asked to act at a frame."""
        return bool(self.asks[int(self.told.searchsorted(row, side="right"))])


class DemandFrames(NamedTuple):
    """The frames of one demand in one chunk.

    Attributes:
        feeds: intp[m], those that feed its watchdog, ascending.
        believed: intp[n], those that did not fail, ascending.
        asks: bool[n], which of these ask the axis to act.
        steps: float64[limits, n], the step or the rate of each where the kit does not take it, else 0.
    """

    feeds: NDArray[np.intp]
    believed: NDArray[np.intp]
    asks: NDArray[np.bool_]
    steps: NDArray[np.float64]


class Demand:
    """The frames of one demand, and how many bad ones came last in a row.

    Args:
        rule: What the spec says of it.
        setting: Whose decode plan it is.
        needs: The conditions of all demands, those of `needs_of` among them.
        course: Its number among all.
    """

    def __init__(self, rule: DemandRule, setting: Setting, needs: Needs, course: int) -> None:
        self._needs, self._course = needs, course
        self._fresh, self._asks = needs.numbers(rule.fresh_when), needs.numbers(rule.asks_when)
        self._acts = needs.numbers(acts_when(rule, setting)) if rule.limits else ()
        self._tolerates, self._bad = rule.tolerates, rule.tolerates + 1  # none came before
        plan = setting.plan
        self.slot = next(
            number
            for number, slot in enumerate(plan.slots)
            if (slot.bus_name, slot.message.name) == (rule.message.bus, rule.message.message)
        )
        self.steps = Steps(rule, setting, setting.rules[self.slot].period_ns or 0)
        self._columns = tuple(plan.groups[plan.slots[self.slot].groups.start].columns)
        self._spans = {}
        for column in self._columns if "range" in rule.requires else ():
            signal = plan.columns[column].signal
            if plan.columns[column].kind is not ColumnKind.FLOAT:
                limits = signal.minimum, signal.maximum, signal.factor, signal.offset
                self._spans[column] = raw_limits(*limits, signal.bits, signal.signed)

    def take(self, view: View, newest: Newest) -> DemandFrames:
        """Go on with the frames of a chunk."""
        arrived, used = view.prepared.arrived, view.prepared.samples
        came = _rows(arrived, self.slot)
        believed = _rows(used, self.slot)
        moments = Moments(believed, view.clock[believed])
        at = self._needs.at(newest, moments, self._course, {*self._fresh, *self._asks, *self._acts})
        good = self._in_order(used) & ~at.fails[list(self._fresh)].any(axis=0)
        asks = at.holds[list(self._asks)].all(axis=0)
        sent = DemandsSent(moments.clock, view.prepared.chunk.t_ns[believed], good)
        steps = self.steps.take(used, sent, np.asarray(at.holds[list(self._acts)].all(axis=0)))
        good &= ~(steps[self.steps.refuses] != 0).any(axis=0)
        fresh = np.zeros(len(came), np.bool_)
        fresh[came.searchsorted(believed[good])] = True
        feeds: NDArray[np.bool_] = fresh
        if self._tolerates and len(came):
            place = np.arange(len(came))
            last = np.maximum.accumulate(np.where(fresh, place, -1 - self._bad))
            feeds = place - last <= self._tolerates
        if len(came):
            fresh_places = fresh.nonzero()[0]
            since = len(came) - 1 - int(fresh_places[-1]) if len(fresh_places) else self._bad + len(came)
            self._bad = min(since, self._tolerates + 1)
        return DemandFrames(came[feeds], believed, np.asarray(asks), steps)

    def _in_order(self, samples: Samples) -> NDArray[np.bool_]:
        """Which of the believed frames are long enough, and in their range."""
        start, stop = samples.slot_start[self.slot], samples.slot_start[self.slot + 1]
        good = np.ones(int(stop - start), np.bool_)
        for column in self._columns:
            if samples.valid is not None:
                good &= samples.valid[samples.column_start[column] : samples.column_start[column + 1]]
            if column in self._spans:
                kind = samples.plan.columns[column].kind
                good &= among(samples.values(column), kind, [self._spans[column]])
        return good


class Feeding:
    """Follows what feeds one watchdog.

    Args:
        rules: The demands that do.
        setting: Whose decode plan it is.
        needs: The conditions of all demands.
        first: Number of the first of the demands among all.
    """

    def __init__(self, rules: tuple[DemandRule, ...], setting: Setting, needs: Needs, first: int) -> None:
        self._demands = [Demand(rule, setting, needs, first + i) for i, rule in enumerate(rules)]
        self._channels = {setting.spec.buses[rule.message.bus].channel for rule in rules}
        self._last_ns, self._asked = int(NEVER_NS), False

    @property
    def slots(self) -> list[int]:
        """The slots of the demands."""
        return [demand.slot for demand in self._demands]

    def cut(self, view: View) -> None:
        """Forget what came before a hole in the recording."""
        if any(hole.channel in self._channels for hole in view.holes):
            self._last_ns = int(NEVER_NS)
            for demand in self._demands:
                demand.steps.forget()

    def take(self, view: View, newest: Newest) -> Feeds:
        """Go on with the frames of a chunk."""
        parts = [demand.take(view, newest) for demand in self._demands]
        rows = np.sort(np.concatenate([one.feeds for one in parts]))
        told = np.concatenate([one.believed for one in parts])
        order = told.argsort()
        asks = np.concatenate([one.asks for one in parts])[order]
        feeds = Feeds(
            rows,
            np.concatenate(([self._last_ns], view.clock[rows])),
            told[order],
            np.concatenate(([self._asked], asks)),
        )
        self._last_ns, self._asked = int(feeds.clock[-1]), bool(feeds.asks[-1])
        return feeds


def _rows(samples: Samples, slot: int) -> NDArray[np.intp]:
    return samples.rows[samples.slot_start[slot] : samples.slot_start[slot + 1]]


def needs_of(rule: DemandRule, setting: Setting) -> tuple[Requirement, ...]:
    """Return the conditions that a demand asks for."""
    acts = acts_when(rule, setting) if rule.limits else ()
    return (*rule.fresh_when, *rule.asks_when, *acts)
