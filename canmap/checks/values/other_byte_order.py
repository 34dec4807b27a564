"""Whether a signal that leaves its range would keep to it with its bytes the other way round.

That a description has the byte order wrong is a usual mistake (common practice). Read the wrong way, a value
that changes a little jumps by multiples of 256, through all that its bits can hold.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.checks.common.subjects import RangedValue
    from canmap.mapping.description.description import DescribedSignal
    from canmap.signals.plan import DecodePlan

WHOLE_BYTES = (16, 24, 32)  # bits of the signals that are looked at
LEAST_SAMPLES, MOST_SAMPLES = 20, 1000  # that are looked at, from the first on that is out of range
TIMES_SMOOTHER = 4  # that it has to be the other way round: by chance either way may be a little smoother


class OtherByteOrder:
    """A signal of whole bytes, read the other way round.

    Args:
        signal: As described.
        counts: Smallest and largest raw count that is allowed.
    """

    def __init__(self, signal: DescribedSignal, counts: tuple[int, int]) -> None:
        self._signal, self._counts = signal, counts
        self._samples = 0
        self._is_outside = False
        self._last: NDArray[np.int64] = np.zeros((2, 0), np.int64)
        self._travelled = np.zeros(2, np.int64)  # all changes of the counts, as described and turned round

    @classmethod
    def of(cls, subject: RangedValue, plan: DecodePlan) -> Self | None:
        """Return it for a value that is made of one such signal; else None."""
        signal, counts = plan.columns[subject.columns[0]].signal, subject.range.counts
        first_bit = 7 if signal.big_endian else 0
        if counts is None or signal.bits not in WHOLE_BYTES or signal.start_bit % 8 != first_bit:
            return None
        return cls(signal, counts)

    @property
    def fits(self) -> bool:
        """Whether all samples so far would be within the limits, and change far less from one to the next."""
        as_described, turned = self._travelled.tolist()
        is_smoother = TIMES_SMOOTHER * turned < as_described
        return self._samples >= LEAST_SAMPLES and not self._is_outside and is_smoother

    @property
    def correction(self) -> dict[str, str | float]:
        """The keys of the correction that turns the bytes round."""
        byte_order = "little_endian" if self._signal.big_endian else "big_endian"
        start_bit = self._signal.start_bit // 8 * 8 + (0 if self._signal.big_endian else 7)
        return {"byte_order": byte_order, "start_bit": start_bit}

    @property
    def hint(self) -> str:
        """What a finding says where it fits."""
        keys = ", ".join(f"{key}: {value}" for key, value in self.correction.items())
        return f"With its bytes the other way round it would keep to its limits: see `correct`, {keys}."

    def take(self, raw: NDArray[np.int64]) -> None:
        """Look at the raw values int64[n] of the next samples, unless there were enough."""
        raw = raw[: MOST_SAMPLES - self._samples]
        if not len(raw):
            return
        both = np.stack((raw, self._turned(raw)))
        low, high = self._counts
        self._is_outside |= bool(((both[1] < low) | (both[1] > high)).any())
        self._travelled += np.abs(np.diff(np.concatenate((self._last, both), axis=1))).sum(axis=1)
        self._last = both[:, -1:]
        self._samples += len(raw)

    def _turned(self, raw: NDArray[np.int64]) -> NDArray[np.int64]:
        bits, turned = self._signal.bits, np.zeros_like(raw)
        for shift in range(0, bits, 8):
            turned = turned << 8 | (raw >> shift & 0xFF)
        return turned - ((turned >> bits - 1 & 1) << bits) if self._signal.signed else turned
