"""Whether the motor of the steering pulls while the angle stands: more than it takes to turn the wheel.

A motor that is held draws far more than one that turns. One that turns while its sensor stands draws what it
always did. (Common practice.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.vocabulary.record_types import Steering

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

TIMES_TURNING = 1.5  # the current that it took to turn the wheel
TURNING_PERCENTILE = 95  # percentile of that current
OVER_NS = 250 * MS  # in which a wheel that turns moves
STANDS = 0.02  # of all that the angle spans: it moved by less in that time
LEAST_CURRENTS = 3  # samples of a current, which come seldom
BEFORE_BEGIN_NS, AFTER_BEGIN_NS = 3_000 * MS, 2_000 * MS  # what is noticed late began up to that long before


class Strain(NamedTuple):
    """A motor that is held.

    Attributes:
        signal: Its current, as message and signal.
        from_ns: Session clock of the first sample that shows it.
        to_ns: Of the last.
        current: The largest, A without its sign.
    """

    signal: str
    from_ns: int
    to_ns: int
    current: float


def strained(case: CaseFile) -> Strain | None:
    """Return how the motor of the steering was held around the begin, None where nothing tells of it."""
    told = steering_angle(case)
    if told is None:
        return None
    _, sender, clock, angle = told
    spans = float(np.ptp(angle))
    for number, column in enumerate(case.plan.columns):
        rule = case.rules[column.slot]
        if column.signal.unit != "A" or rule.sender != sender:
            continue
        at_ns, current = case.samples(number)
        known = (at_ns >= clock[0] + OVER_NS) & (at_ns <= clock[-1])
        at_ns, current = at_ns[known], np.abs(current[known])
        now, before = np.interp(at_ns, clock, angle), np.interp(at_ns - OVER_NS, clock, angle)
        stands = np.abs(now - before) < STANDS * spans
        goes_on = np.abs(np.interp(at_ns + OVER_NS, clock, angle) - now) >= STANDS * spans
        turns = ~stands & goes_on  # neither just begun nor just held
        near = (at_ns >= case.begin_ns - BEFORE_BEGIN_NS) & (at_ns <= case.begin_ns + AFTER_BEGIN_NS)
        if np.count_nonzero(turns) < LEAST_CURRENTS:
            continue
        usual = float(np.percentile(current[turns], TURNING_PERCENTILE))
        held = np.flatnonzero(stands & near & (current > TIMES_TURNING * usual))
        if len(held) >= LEAST_CURRENTS and usual > 0:
            place = f"{rule.message.name}.{column.signal.name}"
            return Strain(place, int(at_ns[held[0]]), int(at_ns[held[-1]]), float(current[held].max()))
    return None


def steering_angle(case: CaseFile) -> tuple[str, str, NDArray[np.int64], NDArray[np.float64]] | None:
    """Return record and field of the steering angle, who tells it, when, and the angle itself, rad.

    None where nobody tells it.
    """
    for rule, name in _angle_fields(case):
        chunk = case.window.records.get(rule)
        column = chunk.columns.get(name) if chunk is not None else None
        if chunk is None or column is None or np.count_nonzero(column.valid) < LEAST_CURRENTS:
            continue
        stamp = next(one for one in case.spec.records if one.name == rule)
        senders = [r.sender for r in case.rules if (r.bus, r.message.name) == (stamp.bus, stamp.stamp)]
        if senders and senders[0]:
            values = column.values[column.valid].astype(np.float64)
            return f"{rule}.{name}", senders[0], chunk.clock_ns[column.valid], values
    return None


def _angle_fields(case: CaseFile) -> Iterator[tuple[str, str]]:
    for rule in case.spec.records:
        if issubclass(rule.type, Steering):
            yield from ((rule.name, name) for name in ("wheel_angle", "road_angle"))
