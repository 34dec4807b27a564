"""A CRC of payloads of one layout, two bytes at a time: a third of the work of going byte by byte.

A CRC is affine over GF(2): that of a payload is that of zeros, mixed with what each byte adds at its place,
whatever the others are. So two bytes that stand side by side are looked up together, and no lookup waits for
another.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.payload.checksums import Crc, crc_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.vocabulary.checksum_profiles import CrcParameters


class PayloadByte(NamedTuple):
    """A byte of the payload that goes into a CRC.

    Attributes:
        byte: Which, from 0.
        mask: Its bits that count; the others go in as 0.
    """

    byte: int
    mask: int


class CrcByWords:
    """The CRC of payloads of one layout.

    Args:
        crc: How it is worked out.
        inputs: What goes in, in order: bytes of the payload, each at most once, and such as never differ.
    """

    def __init__(self, crc: Crc, inputs: Sequence[PayloadByte | int]) -> None:
        constant = crc.of_bytes(bytes(0 if isinstance(one, PayloadByte) else one for one in inputs))
        self._constant = np.uint64(constant)
        added = {
            one.byte: (len(inputs) - 1 - place, one.mask)
            for place, one in enumerate(inputs)
            if isinstance(one, PayloadByte)
        }
        nothing = 0, 0
        self._tables = tuple(
            (word, _table(crc, added.get(2 * word, nothing), added.get(2 * word + 1, nothing)))
            for word in sorted({byte // 2 for byte in added})
        )

    def of(self, payload: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """Return the check value of each payload, uint64[n], of uint8[n, width] with an even width."""
        words = np.ascontiguousarray(payload).view("<u2")
        if not self._tables:
            return np.full(len(payload), self._constant)
        (first, table), *others = self._tables
        value = table.take(words[:, first])
        for word, table in others:
            value ^= table.take(words[:, word])
        return value.astype(np.uint64) ^ self._constant


@cache
def _table(crc: CrcParameters, low: tuple[int, int], high: tuple[int, int]) -> NDArray[Any]:
    """Return what each pair of bytes adds, [65536]; of each, how many bytes follow it, and its mask."""
    kind = np.min_scalar_type((1 << crc.width) - 1)
    table: NDArray[Any] = (_added(crc, *high)[:, np.newaxis] ^ _added(crc, *low)).ravel().astype(kind)
    return table


def _added(crc: CrcParameters, following: int, mask: int) -> NDArray[np.uint64]:
    """Return what each value of a byte adds, uint64[256]."""
    values = np.arange(256, dtype=np.uint8) & np.uint8(mask)
    found = crc_of(crc).of([values, *[0] * following], 256)
    added: NDArray[np.uint64] = found ^ found[0]
    return added
