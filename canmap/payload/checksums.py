"""Cyclic redundancy checks and sums of bytes, a column of frames at a time.

A CRC is described by its width, polynomial, start value, reflection and final XOR (the parametric model of
R. N. Williams, 1993, from memory). The remainders of all bytes are worked out once; a payload goes through
them byte by byte, all frames at once.
"""

from __future__ import annotations

from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

from canmap.vocabulary.checksum_profiles import CRCS, CrcParameters

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from canmap.vocabulary.checksum_profiles import ChecksumMethod

_BYTE = np.uint64(0xFF)
_EIGHT = np.uint64(8)


class Crc(CrcParameters):
    """A cyclic redundancy check of up to 64 bits.

    One of fewer than 8 bits is kept in the upper bits of a byte, where it is not reflected.
    """

    def of(self, columns: Iterable[NDArray[np.uint8] | int], frames: int) -> NDArray[np.uint64]:
        """Return the check value of each frame, uint64[frames].

        Args:
            columns: The bytes in the order in which they are checked: uint8[frames], or one byte for all.
            frames: How many frames there are.
        """
        if self.width <= 8:
            return self._of_short(columns, frames, self._start)
        value = np.full(1, self._start, np.uint64)  # one for all, up to the first byte that differs
        above = np.uint64(self.width - 8)
        mask = np.uint64((1 << self.width) - 256)
        for column in columns:
            byte = np.asarray(column, np.uint64)
            if self.reflected:
                value = self._remainders.take((value ^ byte) & _BYTE) ^ (value >> _EIGHT)
            else:
                value = self._remainders.take((value >> above) ^ byte) ^ ((value << _EIGHT) & mask)
        return _for_each(value ^ np.uint64(self.final_xor), frames)

    def of_bytes(self, data: bytes) -> int:
        """Return the check value of one run of bytes."""
        table, above = self.table, self.width - 8
        value = self._start
        if above <= 0:
            for byte in data:
                value = table[value ^ byte]
            return (value if self.reflected or not above else value >> self._spare) ^ self.final_xor
        for byte in data:
            if self.reflected:
                value = table[(value ^ byte) & 0xFF] ^ value >> 8
            else:
                value = table[value >> above ^ byte] ^ value << 8 & (1 << self.width) - 256
        return value ^ self.final_xor

    def _of_short(
        self, columns: Iterable[NDArray[np.uint8] | int], frames: int, start: int
    ) -> NDArray[np.uint64]:
        """Return the check values of a CRC that fits into a byte, of which each step leaves nothing else."""
        value = np.full(1, start, np.uint8)
        remainders = self._remainders.astype(np.uint8)
        for column in columns:
            value = remainders.take(value ^ np.asarray(column, np.uint8))
        shift = 0 if self.reflected else self._spare
        return _for_each((value >> np.uint8(shift)).astype(np.uint64) ^ np.uint64(self.final_xor), frames)

    @property
    def _spare(self) -> int:
        """Bits of the byte that a shorter CRC leaves free."""
        return max(8 - self.width, 0)

    @cached_property
    def _start(self) -> int:
        """What is left before the first byte."""
        return _mirrored(self.initial, self.width) if self.reflected else self.initial << self._spare

    @cached_property
    def _remainders(self) -> NDArray[np.uint64]:
        """What is left of each byte after eight steps, uint64[256]."""
        return np.array([self._remainder(byte) for byte in range(256)], np.uint64)

    @cached_property
    def table(self) -> list[int]:
        """What is left of each byte after eight steps, for checks of single frames."""
        remainders: list[int] = self._remainders.tolist()
        return remainders

    def _remainder(self, byte: int) -> int:
        if self.reflected:
            polynomial = _mirrored(self.polynomial, self.width)
            for _ in range(8):
                byte = byte >> 1 ^ (polynomial if byte & 1 else 0)
            return byte
        width = max(self.width, 8)
        value, polynomial = byte << (width - 8), self.polynomial << self._spare
        for _ in range(8):
            value = value << 1 ^ (polynomial if value >> (width - 1) else 0)
            value &= (1 << width) - 1
        return value


@cache
def crc_of(parameters: CrcParameters) -> Crc:
    """Return the CRC with these parameters; its table is worked out once, whoever asks."""
    return Crc(
        parameters.width,
        parameters.polynomial,
        parameters.initial,
        parameters.reflected,
        parameters.final_xor,
    )


def sum_of(
    method: ChecksumMethod, columns: Iterable[NDArray[np.uint8] | int], frames: int
) -> NDArray[np.uint64]:
    """Return the sum, or the exclusive or, of the bytes of each frame, uint64[frames]; see `Crc.of`."""
    value = np.full(frames, method.initial, np.uint64)
    for column in columns:
        if method.exclusive:
            value ^= np.asarray(column, np.uint64)
        else:
            value += np.asarray(column, np.uint64)
    return _folded(value, method) ^ np.uint64(method.final_xor)


def _folded(value: NDArray[np.uint64], method: ChecksumMethod) -> NDArray[np.uint64]:
    """Return sums in the bits of the checksum."""
    three, four, six = (np.uint64(shift) for shift in (3, 4, 6))
    if method.fold == "xbr":  # [SAE J1939-71, SPN 3189, as an open j1939_checksum.c has it]
        return ((value >> four) + value) & np.uint64(0xF)
    if method.fold == "tsc1":  # [SAE J1939-71, SPN 4207, from memory]
        return ((value >> six & np.uint64(3)) + (value >> three) + value) & np.uint64(7)
    return value & np.uint64((1 << method.width) - 1)


def _for_each(value: NDArray[np.uint64], frames: int) -> NDArray[np.uint64]:
    """Return a value for each frame, of one for each or one for all."""
    return value if len(value) == frames else value.repeat(frames)


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


_PROFILE1 = crc_of(CRCS["CRC-8/GSM-A"])  # the polynomial of CRC-8 SAE J1850; starts at 0 and inverts nothing


def profile1_checksums(payload: NDArray[np.uint8], checksum_byte: int, data_id: int) -> NDArray[np.uint8]:
    """Return the checksums of E2E profile 1, the data identifier taken low byte, then high byte; uint8[n].

    Checked are the data identifier and then all bytes of `payload`, uint8[n, length], but the one at
    `checksum_byte` [AUTOSAR E2E protocol, profile 1].
    """
    data = [payload[:, index] for index in range(payload.shape[1]) if index != checksum_byte]
    return _PROFILE1.of([data_id & 0xFF, data_id >> 8, *data], len(payload)).astype(np.uint8)


def profile1_checksum(payload: bytes, checksum_byte: int, data_id: int) -> int:
    """Return the checksum of one payload: `profile1_checksums`, one at a time.

    This is `Crc.of_bytes` for a CRC of 8 bits, which goes on from the data identifier.
    """
    value, table = _profile1_begun(data_id)
    for byte in payload[:checksum_byte] + payload[checksum_byte + 1 :]:
        value = table[value ^ byte]
    return value


@cache
def _profile1_begun(data_id: int) -> tuple[int, list[int]]:
    """Return the checksum of a data identifier alone, and the table that the bytes after it go through."""
    return _PROFILE1.of_bytes(data_id.to_bytes(2, "little")), _PROFILE1.table
