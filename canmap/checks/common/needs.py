"""What has to hold when something happens on the bus: conditions that are told by messages of their own pace.

A condition is not fulfilled where it is known not to hold at the sample before, at the sample itself, and at
the next sample of its own signal: in between, the kit may have known of it before the bus did. Where its
signal is not known, nothing is judged.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.words import listed
from canmap.mapping.model import Trigger
from canmap.signals.extract import among, patterns
from canmap.timing.conditions import Condition

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from canmap.checks.check import Setting
    from canmap.mapping.description.description import DescribedSignal
    from canmap.mapping.refs import Requirement
    from canmap.stream.view import View
    from canmap.timing.newest import Moments, Newest


@dataclass(frozen=True, slots=True)
class NeedsAt:
    """How some conditions stand at n samples.

    Attributes:
        holds: bool[conditions, n], each is known to hold.
        fails: bool[conditions, n], each is known not to.
        failed_before: bool[conditions, n], each did not hold at the sample before.
    """

    holds: NDArray[np.bool_]
    fails: NDArray[np.bool_]
    failed_before: NDArray[np.bool_]

    def missing(self, sample: int, wanted: Iterable[int]) -> frozenset[int]:
        """Return those of the wanted conditions that hold neither at a sample nor at the one before."""
        return frozenset(i for i in wanted if self.fails[i, sample] and self.failed_before[i, sample])


@dataclass(slots=True)
class Doubt:
    """Something that happened though conditions did not hold, until their next samples say the same.

    Attributes:
        subject: What it is.
        before: The state before, for the sentence.
        after: The state after.
        start_ns: When.
        line: Line of the capture.
        row: Its frame in the chunk, -1 where that came before.
        ways: For each way in which it would have been right, the conditions that are missing.
        sure: Those of the conditions that are known to be missing by now, with the session clock from which
            on they are.
    """

    subject: int
    before: int
    after: int
    start_ns: int
    line: int
    row: int
    ways: tuple[frozenset[int], ...]
    sure: dict[int, int] = field(default_factory=dict)

    @property
    def known_ns(self) -> int | None:
        """Session clock from which on none of the ways is left, None while one may be."""
        first = [min((self.sure[i] for i in way if i in self.sure), default=None) for way in self.ways]
        known = [clock_ns for clock_ns in first if clock_ns is not None]
        return max(known) if len(known) == len(first) else None

    @property
    def missing(self) -> tuple[int, ...]:
        """The conditions that are known to be missing when that is known."""
        known_ns = self.known_ns
        return tuple(sorted(i for i, clock_ns in self.sure.items() if known_ns and clock_ns <= known_ns))


class Needs:
    """Some conditions, asked for at the samples of some courses.

    Args:
        wanted: What is required; equal ones are one.
        setting: Whose decode plan and rules it is.

    Attributes:
        wanted: What is required, by number.
        columns: The columns that tell it.
    """

    def __init__(self, wanted: Iterable[Requirement], setting: Setting) -> None:
        self.wanted = tuple(dict.fromkeys(wanted))
        plan = setting.plan
        rules = [setting.rules[plan.columns[_column(need, setting)].slot] for need in self.wanted]
        self._conditions = tuple(
            Condition.of(need, plan, holds_for_ns=rule.stale_after_ns, own_frame_counts=True)
            for need, rule in zip(self.wanted, rules, strict=True)
        )
        # What comes at once when it changes is not waited for.
        self._waits = tuple(rule.trigger is Trigger.CYCLIC for rule in rules)
        self.columns = {condition.column for condition in self._conditions}
        self._last: dict[int, NDArray[np.bool_]] = {}

    def numbers(self, needs: Sequence[Requirement]) -> tuple[int, ...]:
        """Return the numbers of some of the conditions."""
        return tuple(self.wanted.index(need) for need in needs)

    def at(self, newest: Newest, moments: Moments, course: int, wanted: Iterable[int]) -> NeedsAt:
        """Return how the wanted ones stand at the next samples of a course; the others neither hold nor fail.

        Args:
            newest: The newest samples.
            moments: The samples of the course.
            course: One number for all its chunks.
            wanted: Numbers of conditions, the same for all its chunks.
        """
        shape = (len(self._conditions), len(moments.rows))
        holds, fails = np.zeros(shape, np.bool_), np.zeros(shape, np.bool_)
        for i in wanted if shape[1] else ():
            holds[i], known = self._conditions[i].told(newest, moments)
            fails[i] = ~holds[i] & known
        held_before = np.empty_like(holds)
        held_before[:, 1:] = holds[:, :-1]
        if shape[1]:
            held_before[:, 0] = self._last.get(course, False)
            self._last[course] = holds[:, -1].copy()
        return NeedsAt(holds, fails, ~held_before)

    def settle(self, doubt: Doubt, view: View) -> bool:
        """Look for the next samples of what a doubt is about; return whether there is still one."""
        for i in sorted(frozenset().union(*doubt.ways) - doubt.sure.keys()):
            found = self._next(i, doubt.row, view) if self._waits[i] else (doubt.start_ns, True)
            if found is None:
                continue
            clock_ns, fails = found
            if fails:
                doubt.sure[i] = clock_ns
            else:
                doubt.ways = tuple(way - {i} for way in doubt.ways)
        doubt.row = -1
        return all(doubt.ways) and doubt.known_ns is None

    def _next(self, i: int, row: int, view: View) -> tuple[int, bool] | None:
        """The session clock of the next sample of a condition, and whether that says it does not hold."""
        condition, samples = self._conditions[i], view.prepared.samples
        rows = samples.positions(condition.column)
        place = int(rows.searchsorted(row, side="right"))
        if place == len(rows):
            return None
        sample = int(samples.column_start[condition.column]) + place
        told = samples.valid is None or bool(samples.valid[sample])
        holds = bool(among(samples.raw[sample : sample + 1], condition.kind, condition.accepts)[0])
        return int(view.clock[rows[place]]), told and not holds


def _column(need: Requirement, setting: Setting) -> int:
    return setting.plan.column_of[need.ref.bus, need.ref.message, need.ref.signal]


def codes_of(codes: Iterable[int]) -> frozenset[int]:
    """Return raw codes as the samples of a state hold them."""
    return frozenset(patterns(codes).tolist())


def unfulfilled(need: Requirement, setting: Setting) -> str:
    """Return what a condition did not find: "SteerFeedback.Homed was not yes"."""
    signal = setting.plan.columns[_column(need, setting)].signal
    words = [
        state_name(low, signal) if low == high else f"between {low} and {high}" for low, high in need.accepts
    ]
    return f"{need.ref.message}.{need.ref.signal} was not {listed(words)}"


def state_name(code: int, signal: DescribedSignal) -> str:
    """Return the label of a raw code, yes or no of a bit without labels, or else the code."""
    label = signal.labels.get(code)
    if label is None and signal.bits == 1:
        return "yes" if code else "no"
    return str(code) if label is None else str(label)


def code_or_label(state: str) -> str | int:
    """Return what `state_name` gives as a fact: a code without a label is a number."""
    return int(state) if state.isdigit() else state
