"""Whether the last bits of the steering angle stood, which else never do: then it is old, not still.

A sensor whose last bits vary does so also while what it measures stands. Where it tells one value to the last
bit for far longer than it ever does else, at rest too, nobody has measured meanwhile. (Common practice.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.diagnosis.facts.case_file import MS
from canmap.diagnosis.facts.strain import STANDS, steering_angle

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.diagnosis.facts.case_file import CaseFile

AT_REST = 25  # samples in a row by which it is judged how often the last bits vary at rest
LEAST_IN_A_ROW = 25  # samples of one value
SEVERAL_AT_REST = 3  # values at rest, and turns from up to down or back between them
TIMES_AT_REST = 5  # as many as in the longest row of one value at rest
BEFORE_BEGIN_NS = 3_000 * MS  # what is noticed late began up to that long before


class StoodStill(NamedTuple):
    """A row of samples of one value.

    Attributes:
        record: Record and field.
        from_ns: Session clock of the first.
        to_ns: Of the last.
        samples: How many they are.
    """

    record: str
    from_ns: int
    to_ns: int
    samples: int


def stood_still(case: CaseFile) -> StoodStill | None:
    """Return for how long the last bits of the angle stood around the begin; None where they may do so."""
    told = steering_angle(case)
    if told is None:
        return None
    name, _, clock, angle = told
    first, last = _rows(angle)
    near = (clock[last] >= case.begin_ns - BEFORE_BEGIN_NS) & (clock[first] <= case.begin_ns)
    near &= first >= AT_REST  # else nobody knows since when
    if not near.any():
        return None
    longest = int(np.where(near, last - first + 1, 0).argmax())
    begin, end = int(first[longest]), int(last[longest])
    samples = end - begin + 1
    usual = _longest_at_rest(angle, begin, end) if samples >= LEAST_IN_A_ROW else None
    if usual is None or samples < TIMES_AT_REST * usual:
        return None
    return StoodStill(name, int(clock[begin]), int(clock[end]), samples)


def _rows(values: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return intp[n] each, the first and the last sample of each row of equal ones."""
    changes = np.flatnonzero(np.diff(values))
    return np.append(0, changes + 1), np.append(changes, len(values) - 1)


def _longest_at_rest(angle: NDArray[np.float64], begin: int, end: int) -> int | None:
    """The longest row of one value where the angle is at rest, but for one row; None where bits may stand.

    They may unless most of the time at rest has several values that come and go: noise of less than a step
    shows only where the angle happens to be between two.
    """
    spans = [part for part in (angle[:begin], angle[end + 1 :]) if len(part) >= AT_REST]
    windows = [np.lib.stride_tricks.sliding_window_view(part, AT_REST) for part in spans]
    every = np.concatenate(windows) if windows else np.zeros((0, AT_REST))
    rest = every[np.ptp(every, axis=1) < STANDS * np.ptp(angle)]
    if not len(rest):
        return None
    ordered = np.sort(rest, axis=1)
    values = 1 + np.count_nonzero(np.diff(ordered, axis=1), axis=1)
    step = np.sign(np.diff(rest, axis=1))
    turns = np.count_nonzero(step[:, 1:] * step[:, :-1] < 0, axis=1)
    if np.median(values) < SEVERAL_AT_REST or np.median(turns) < SEVERAL_AT_REST:
        return None
    longest = row = np.ones(len(rest), np.int64)
    for at in range(1, AT_REST):
        row = np.where(rest[:, at] == rest[:, at - 1], row + 1, 1)
        longest = np.maximum(longest, row)
    return int(longest.max())
