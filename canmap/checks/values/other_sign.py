"""Whether a signal that leaves its range would not jump if it were signed, or if it were not.

That a description has `signed` wrong is a usual mistake (common practice). Two's complement gives a small
negative number the code of one that is near the end of what the bits can hold: read as unsigned, a value that
goes through zero jumps by nearly all of that, and read as signed, so does one that goes through its middle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

from canmap.signals.limits import raw_limits

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.common.subjects import RangedValue
    from canmap.mapping.description.description import DescribedSignal
    from canmap.signals.plan import DecodePlan

FEWEST_BITS, MOST_BITS = 8, 32  # of the signals that are looked at
LEAST_SAMPLES, MOST_SAMPLES = 20, 1000  # that are looked at, from the first on that is out of range
LEAST_CODES = 4  # different ones that are read otherwise: of codes that are no value there are fewer
TIMES_STEP = 3  # of the largest ordinary step: so large those may be that are no jumps when read otherwise


class OtherSign:
    """A signal, read as signed where it is described as unsigned, and the other way round.

    Args:
        signal: As described.
        counts: Smallest and largest count that is allowed of the other reading.
    """

    def __init__(self, signal: DescribedSignal, counts: tuple[int, int]) -> None:
        self._bits, self._signed, self._counts = signal.bits, signal.signed, counts
        self._raw: NDArray[np.int64] = np.zeros(0, np.int64)

    @classmethod
    def of(cls, subject: RangedValue, plan: DecodePlan) -> Self | None:
        """Return it for a value that is made of one such signal; else None."""
        signal, limits = plan.columns[subject.columns[0]].signal, subject.range
        if limits.counts is None or not FEWEST_BITS <= signal.bits <= MOST_BITS:
            return None
        factor, offset = subject.quantity.scalings[0].line.exact
        whole, at = subject.quantity.line.exact[0] * factor, subject.quantity.line.at(offset)
        low, high = raw_limits(limits.low, limits.high, whole, at, signal.bits, not signal.signed)
        if not signal.signed and low >= 0:  # limits of what is never negative do not know the other side
            low = -high
        return cls(signal, (low, high)) if low < high else None

    @property
    def correction(self) -> dict[str, str]:
        """The keys of the correction that reads it otherwise."""
        return {"signed": "no" if self._signed else "yes"}

    @property
    def hint(self) -> str:
        """What a finding says where it fits."""
        if self._signed:
            return "Read as unsigned it would go on instead of jumping: see `correct`, signed: no."
        return "Read as signed it would go through zero instead of jumping: see `correct`, signed: yes."

    @property
    def fits(self) -> bool:
        """Whether all samples so far would be within the limits, and nothing of them would jump any more."""
        low, high = self._counts
        other = self._read_otherwise()
        if len(other) < LEAST_SAMPLES or ((other < low) | (other > high)).any():
            return False
        if len(set(other[other != self._raw].tolist())) < LEAST_CODES:
            return False
        step, other_step = np.abs(np.diff(self._raw)), np.abs(np.diff(other))
        jumps = step > 1 << self._bits - 1
        ordinary = other_step[~jumps].max(initial=0)
        return bool(jumps.any()) and bool(other_step[jumps].max() <= TIMES_STEP * ordinary)

    def take(self, raw: NDArray[np.int64]) -> None:
        """Look at the raw values int64[n] of the next samples, unless there were enough."""
        self._raw = np.concatenate((self._raw, raw[: MOST_SAMPLES - len(self._raw)]))

    def _read_otherwise(self) -> NDArray[np.int64]:
        whole = 1 << self._bits
        if self._signed:
            return self._raw & whole - 1
        return self._raw - (self._raw >> self._bits - 1 << self._bits)
