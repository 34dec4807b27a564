"""Axes that the computer handed back: an episode in motion, the end of a drive where the vehicle stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.diagnosis.facts.case_file import MS
from canmap.vocabulary.record_types import Wheels, field_types

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.diagnosis.facts.case_file import CaseFile

STANDS_MPS = 0.1  # slower than that, a vehicle stands; wheel speeds are seldom told more finely
SPEED_KNOWN_NS = 1_000 * MS  # for which a speed stays known


def is_end_of_drive(case: CaseFile) -> bool:
    """Tell whether an episode is only that the computer handed axes back of a vehicle that stood."""
    if not case.span.by_computer:
        return False
    speeds = list(_speeds(case))
    return bool(speeds) and max(speeds) < STANDS_MPS


def _speeds(case: CaseFile) -> Iterator[float]:
    """The last that each record tells of the speed before the episode, m/s without its sign."""
    for rule in case.spec.records:
        chunk = case.window.records.get(rule.name)
        if chunk is None:
            continue
        names = field_types(Wheels) if issubclass(rule.type, Wheels) else {"speed"}
        before = (chunk.clock_ns <= case.begin_ns) & (chunk.clock_ns >= case.begin_ns - SPEED_KNOWN_NS)
        for name in names:
            column = chunk.columns.get(name)
            if column is not None and (before & column.valid).any():
                yield abs(float(column.values[before & column.valid][-1]))
