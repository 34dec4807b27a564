"""Where a whole number stands in payloads, bit by bit: read, left out, and taken from other payloads."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.mapping.description.bits import first_bit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedSignal


@dataclass(frozen=True, slots=True)
class BitRun:
    """Bits of one byte that are a part of a number.

    Attributes:
        byte: The byte.
        low: The least significant of the bits in it.
        bits: How many.
        worth: What the least significant of them is worth in the number, as a power of two.
    """

    byte: int
    low: int
    bits: int
    worth: int

    @property
    def mask(self) -> int:
        """The bits in their byte."""
        return ((1 << self.bits) - 1) << self.low


@dataclass(frozen=True)
class BitPlace:
    """Where a number of up to 64 bits stands in a payload.

    Attributes:
        runs: Its bits, byte by byte.
    """

    runs: tuple[BitRun, ...]

    @classmethod
    def of_signal(cls, signal: DescribedSignal) -> BitPlace:
        """Return where the raw value of a signal stands."""
        start, runs = first_bit(signal), []
        end = start + signal.bits
        for byte in range(start // 8, (end + 7) // 8):
            first, stop = max(start, 8 * byte), min(end, 8 * byte + 8)
            low = 8 * byte + 8 - stop if signal.big_endian else first - 8 * byte
            worth = end - stop if signal.big_endian else first - start
            runs.append(BitRun(byte, low, stop - first, worth))
        return cls(tuple(runs))

    @classmethod
    def of_bytes(cls, numbers: Iterable[int], bits: int | None = None) -> BitPlace:
        """Return the place of a number in whole bytes, the most significant first.

        Args:
            numbers: The bytes.
            bits: Bits of the number, fewer than those of the bytes where its top ones are not its own.
        """
        whole = list(numbers)
        rest = 8 * len(whole) if bits is None else bits
        runs = []
        for place, byte in enumerate(whole):
            worth = 8 * (len(whole) - 1 - place)
            runs.append(BitRun(byte, 0, min(8, rest - worth), worth))
        return cls(tuple(run for run in runs if run.bits > 0))

    @cached_property
    def masks(self) -> dict[int, int]:
        """Its bits in each of its bytes."""
        masks: dict[int, int] = {}
        for run in self.runs:
            masks[run.byte] = masks.get(run.byte, 0) | run.mask
        return masks

    @property
    def bytes_needed(self) -> int:
        """Length of the shortest payload that holds it."""
        return max(self.masks) + 1

    @property
    def first_byte(self) -> int:
        """The first of its bytes in the payload."""
        return min(self.masks)

    def read(self, payload: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """Return the number in each payload of uint8[n, width], uint64[n]; what is beyond the width is 0."""
        number = np.zeros(len(payload), np.uint64)
        for run in self.runs:
            if run.byte < payload.shape[1]:
                bits = payload[:, run.byte] & np.uint8(run.mask)
                number |= (bits >> np.uint8(run.low)).astype(np.uint64) << np.uint64(run.worth)
        return number

    def taken_from(self, payload: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return payloads uint8[n, width] in which these bits, and no others, are those of `other`."""
        mixed = payload.copy()
        for byte, mask in self.masks.items():
            if byte < payload.shape[1]:
                mixed[:, byte] = payload[:, byte] & np.uint8(0xFF ^ mask) | other[:, byte] & np.uint8(mask)
        return mixed
