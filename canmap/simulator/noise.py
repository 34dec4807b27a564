"""Simulator: chance that depends on a seed and on what it is drawn for, not on what was drawn before.

So a run that is cut in pieces, or computed in another order, draws the same.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING
from zlib import crc32

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# The mixing constants of SplitMix64 (G. Steele and others, OOPSLA 2014; from memory).
_GOLDEN, _FIRST, _SECOND = 0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB
_BY_GOLDEN, _BY_FIRST, _BY_SECOND = np.array([_GOLDEN, _FIRST, _SECOND], np.uint64)
_MASK = (1 << 64) - 1
_GOLDEN_WORD, _FIRST_WORD, _SECOND_WORD = np.uint64(_GOLDEN), np.uint64(_FIRST), np.uint64(_SECOND)
_30, _27, _31, _11 = (np.uint64(shift) for shift in (30, 27, 31, 11))
STRETCH = 256  # numbers that are drawn at once for who asks for one


def even(seed: int, purpose: str, numbers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return a draw from [0, 1), evenly spread, for each of `numbers`, float64[n].

    Args:
        seed: Of the run.
        purpose: What is drawn; another word is another sequence.
        numbers: int64[n], which draw of it.
    """
    x = numbers.astype(np.uint64) * _GOLDEN_WORD + np.uint64(_start(seed, purpose))
    x = (x ^ x >> _30) * _FIRST_WORD
    x = (x ^ x >> _27) * _SECOND_WORD
    return ((x ^ x >> _31) >> _11).astype(np.float64) / (1 << 53)


def even_one(seed: int, purpose: str, number: int) -> float:
    """Return the draw that `even` returns for one number."""
    return _stretch(seed, purpose, number // STRETCH)[number % STRETCH]


@lru_cache(maxsize=512)
def _stretch(seed: int, purpose: str, which: int) -> list[float]:
    """Return one stretch of the sequence, of which one number after the other is asked for."""
    drawn: list[float] = even(seed, purpose, which * STRETCH + np.arange(STRETCH)).tolist()
    return drawn


def around_zero(seed: int, purpose: str, numbers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return draws from [-1, 1) of standard deviation ``1 / sqrt(6)``, near 0 more often; else as `even`."""
    return even(seed, purpose, 2 * numbers) + even(seed, purpose, 2 * numbers + 1) - 1.0


def around_zero_one(seed: int, purpose: str, number: int) -> float:
    """Return the draw that `around_zero` returns for one number."""
    return _stretch_around_zero(seed, purpose, number // STRETCH)[number % STRETCH]


@lru_cache(maxsize=512)
def _stretch_around_zero(seed: int, purpose: str, which: int) -> list[float]:
    drawn: list[float] = around_zero(seed, purpose, which * STRETCH + np.arange(STRETCH)).tolist()
    return drawn


@lru_cache(maxsize=256)
def _start(seed: int, purpose: str) -> int:
    return (seed * _FIRST + crc32(purpose.encode()) * _SECOND) & _MASK


def even_ns(seed: int, purpose: str, numbers: NDArray[np.int64], spread_ns: int) -> NDArray[np.int64]:
    """Return a whole number of nanoseconds from [0, `spread_ns`] for each of `numbers`, int64[n]."""
    return (even(seed, purpose, numbers) * (spread_ns + 1)).astype(np.int64)
