"""Cyclic redundancy checks and end-to-end checksums of payloads, a column of frames at a time.

A CRC is described by its width, polynomial, start value, reflection and final XOR (the parametric model of
R. N. Williams, 1993, from memory). The remainders of all bytes are worked out once; a payload goes through
them byte by byte, all frames at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

_BYTE = np.uint64(0xFF)
_EIGHT = np.uint64(8)


@dataclass(frozen=True)
class Crc:
    """A cyclic redundancy check of 8, 16, 32 or 64 bits.

    Attributes:
        width: Bits.
        polynomial: Without its leading bit, most significant bit first.
        initial: Start value.
        reflected: The bits of every byte, and of the result, are taken least significant first.
        final_xor: Is mixed into the result.
    """

    width: int
    polynomial: int
    initial: int = 0
    reflected: bool = False
    final_xor: int = 0

    def of(self, columns: Iterable[NDArray[np.uint8] | int], frames: int) -> NDArray[np.uint64]:
        """Return the check value of each frame, uint64[frames].

        Args:
            columns: The bytes in the order in which they are checked: uint8[frames], or one byte for all.
            frames: How many frames there are.
        """
        initial = _mirrored(self.initial, self.width) if self.reflected else self.initial
        value = np.full(frames, initial, np.uint64)
        above = np.uint64(self.width - 8)
        mask = np.uint64((1 << self.width) - 256)
        for column in columns:
            byte = np.asarray(column, np.uint64)
            if self.reflected:
                value = self._remainders[(value ^ byte) & _BYTE] ^ (value >> _EIGHT)
            else:
                value = self._remainders[(value >> above) ^ byte] ^ ((value << _EIGHT) & mask)
        return value ^ np.uint64(self.final_xor)

    def of_bytes(self, data: bytes) -> int:
        """Return the check value of one run of bytes."""
        return int(self.of(data, 1)[0])

    @cached_property
    def _remainders(self) -> NDArray[np.uint64]:
        """What is left of each byte after eight steps, uint64[256]."""
        return np.array([self._remainder(byte) for byte in range(256)], np.uint64)

    def _remainder(self, byte: int) -> int:
        if self.reflected:
            polynomial = _mirrored(self.polynomial, self.width)
            for _ in range(8):
                byte = byte >> 1 ^ (polynomial if byte & 1 else 0)
            return byte
        value = byte << (self.width - 8)
        for _ in range(8):
            value = value << 1 ^ (self.polynomial if value >> (self.width - 1) else 0)
            value &= (1 << self.width) - 1
        return value


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


_PROFILE1 = Crc(8, 0x1D)  # the polynomial of CRC-8 SAE J1850; starts at 0 and inverts nothing


def profile1_checksums(payload: NDArray[np.uint8], checksum_byte: int, data_id: int) -> NDArray[np.uint8]:
    """Return the checksums of E2E profile 1, the data identifier taken low byte, then high byte; uint8[n].

    Checked are the data identifier and then all bytes of `payload`, uint8[n, length], but the one at
    `checksum_byte` [AUTOSAR E2E protocol, profile 1].
    """
    data = [payload[:, index] for index in range(payload.shape[1]) if index != checksum_byte]
    return _PROFILE1.of([data_id & 0xFF, data_id >> 8, *data], len(payload)).astype(np.uint8)
