"""Messages whose counter leaves out values although every frame came: nothing of them was lost.

A frame that got lost leaves a hole of two periods. Where each frame comes one period after the one before and
the counter still goes on by more than one, the sender counts wrongly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.evidence import Role
from canmap.signals.promised import ring_of

if TYPE_CHECKING:
    from canmap.diagnosis.facts.case_file import CaseFile

LEAST_FRAMES = 3  # frames in a row
IN_TIME_FROM, IN_TIME_TO = 0.6, 1.4  # periods: between those a frame came when it was due
EVEN = 0.1  # of a period, by which the mean may be off: no frame is missing
AROUND_NS = 1_000 * MS


class LeftOut(NamedTuple):
    """Frames in a row whose counter left out values.

    Attributes:
        from_ns: Session clock of the first.
        to_ns: Of the last.
        frames: How many they are.
    """

    from_ns: int
    to_ns: int
    frames: int


def left_out(case: CaseFile, slot: int) -> LeftOut | None:
    """Return the longest such row of a message around the begin of an episode, None where there is none."""
    rule, period_ns = case.rules[slot], case.period_ns(slot)
    counted = rule.counter is not None and rule.counter.per == "message"
    if not counted or rule.counter is None or period_ns is None or case.roles[slot] is Role.COPY:
        return None
    if case.doubled(slot) is not None:
        return None  # the counters of two senders jump by turns
    column = case.plan.column_of[rule.bus, rule.message.name, rule.counter.signal.signal]
    ring = ring_of(rule.counter, case.plan.columns[column].signal.bits)
    clock, values = case.samples(column)
    inside = (clock >= case.begin_ns - AROUND_NS) & (clock <= case.begin_ns + AROUND_NS)
    clock, places = clock[inside], ring.places(values[inside].astype(np.int64))
    apart = np.diff(clock)
    steps = np.diff(places) % ring.values
    in_time = (apart > IN_TIME_FROM * period_ns) & (apart < IN_TIME_TO * period_ns)
    begin, end = _longest((steps > 1) & in_time)
    if end - begin < LEAST_FRAMES or abs(apart[begin:end].mean() - period_ns) > EVEN * period_ns:
        return None
    return LeftOut(int(clock[begin + 1]), int(clock[end]), end - begin)


def _longest(told: np.ndarray) -> tuple[int, int]:
    """Return from which element until which, excluded, the longest row of what is so stands."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], told.astype(np.int8), [0]])))
    if not len(edges):
        return 0, 0
    longest = int(np.diff(edges)[::2].argmax())
    return int(edges[2 * longest]), int(edges[2 * longest + 1])
