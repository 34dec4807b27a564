"""Whether the frames of a cyclic message stay in phase: pure functions on the columns of their stamps.

A sender with a timer sends at a steady phase; bus and recorder make single stamps late, by more than a period
at times. So a phase is the mean of `WINDOW` frames. Where frames were lost, the mean of those behind is later
than that of those before by so many periods; where they were only late, it is not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

WINDOW = 50  # frames of which a phase is the mean
HALF = WINDOW // 2
RANDOM = 0.25  # what frames that keep to no period seem to keep to the best of those that are tried
FITTED = 0.02  # the period of a sender is at most so much off the promised one; more is a rate
PERIODS_TRIED = np.arange(-40, 41) * (FITTED / 40) + 1
DRIFT = 1 / 3  # of a period: where the mean drifts by more in half a window, a phase tells nothing


@dataclass(frozen=True, slots=True)
class Phases:
    """The phase of a message on both sides of k of its frames: of those before, and of those from it on.

    Attributes:
        step: float64[k], by how many periods those behind are later than those before foretell.
        before_ns: float64[k], mean distance from the frames before to the frame.
        after_ns: float64[k], mean distance from the frame to those from it on.
        period_before_ns: float64[k], the period before it, as far as it may be off the promised one.
        period_after_ns: float64[k], the period behind it.
        steady_before: bool[k], the phase is steady before it.
        steady_after: bool[k], the phase is steady behind it.
    """

    step: NDArray[np.float64]
    before_ns: NDArray[np.float64]
    after_ns: NDArray[np.float64]
    period_before_ns: NDArray[np.float64]
    period_after_ns: NDArray[np.float64]
    steady_before: NDArray[np.bool_]
    steady_after: NDArray[np.bool_]


def phases(clock: NDArray[np.int64], at: NDArray[np.intp], promised_ns: int) -> Phases:
    """Return the phase on both sides of some frames.

    Args:
        clock: int64[n], when the frames of one message came, in ns.
        at: intp[k], the frames: `WINDOW` frames stand before each, and with it as many behind.
        promised_ns: Its promised period.
    """
    sums = np.concatenate(([0], np.cumsum(clock - clock[0])))  # differences are exact, even if it overflows
    quarters = [sums[at + end] - sums[at + end - HALF] for end in (-HALF, 0, HALF, WINDOW)]
    own = (clock[at] - clock[0]) * WINDOW
    before_ns = (own - quarters[0] - quarters[1]) / WINDOW
    after_ns = (quarters[2] + quarters[3] - own) / WINDOW
    slopes = [(quarters[end] - quarters[end - 1]) / (HALF * HALF) for end in (1, 3)]
    least_ns, most_ns = promised_ns * (1 - FITTED), promised_ns * (1 + FITTED)
    period_ns = ((slopes[0] + slopes[1]) / 2).clip(least_ns, most_ns)
    steady = [np.abs(slope / promised_ns - 1) < FITTED + DRIFT / HALF for slope in slopes]
    return Phases(
        (before_ns + after_ns) / period_ns - WINDOW,
        *(before_ns, after_ns),
        *(slope.clip(least_ns, most_ns) for slope in slopes),
        *steady,
    )


def rhythm(clock: NDArray[np.int64], promised_ns: int) -> tuple[float, float]:
    """Return how well frames keep to one period, losses or not, and that period in ns.

    Whole periods between frames do not count, so lost frames change nothing. 1: they keep to it exactly; what
    keeps to none comes to less than `RANDOM`.

    Args:
        clock: int64[n], when the frames of one message came, in ns.
        promised_ns: Its promised period, about which others are tried.
    """
    turns = (clock - clock[0]) / promised_ns
    angles = 2j * np.pi * np.outer(1 / PERIODS_TRIED, turns)
    kept = np.abs(np.exp(angles).mean(axis=1)).round(6)
    best = int(kept.argmax())
    return float(kept[best]), promised_ns * float(PERIODS_TRIED[best])


def evened(clock: NDArray[np.int64], waited: NDArray[np.intp], more: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return when frames came, those that had waited evenly spread over the time in which they did.

    Args:
        clock: int64[n], when the frames of one message came, in ns.
        waited: intp[b], frames that came late, each with others that had waited right behind it.
        more: int64[b], how many.
    """
    even = clock.copy()
    for first, others in zip(waited.tolist(), more.tolist(), strict=True):
        start_ns, end_ns = int(clock[first - 1]), int(clock[first + others])
        shares = np.arange(1, others + 2)
        even[first : first + others + 1] = start_ns + shares * (end_ns - start_ns) // (others + 1)
    return even
