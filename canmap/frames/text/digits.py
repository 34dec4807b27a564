"""Frames, SocketCAN text: columns of decimal and hexadecimal digits to numbers.

In: lines of one form under each other, as bytes. Out: one integer per line, or payload bytes, and
which lines hold something other than digits there. Eight characters are one 64-bit word, so that a
few word operations do for eight digits what would else be eight look-ups; the decimal arithmetic
adds neighbours pairwise (digits to pairs, pairs to fours, fours to eight). First character = lowest
byte, so words are read as little endian whatever the machine.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

WORD = 8  # bytes in the longest load
_ZEROS = 0x3030303030303030
_ABOVE_NINE = 0x7676767676767676  # added to a digit 0..9 it leaves the top bit clear, to more it sets it
_TOP_BITS = 0x8080808080808080
_LOADS: dict[int, Any] = {size: np.dtype(f"<u{size}") for size in (1, 2, 4, 8)}
_PAIR = np.dtype("<u2")


@dataclass(frozen=True, slots=True)
class Rows:
    """The beginnings of lines, one under the other.

    Attributes:
        data: uint8[count * stride].
        count: Number of lines.
        stride: Bytes from one line to the next.
    """

    data: NDArray[np.uint8]
    count: int
    stride: int

    def load(self, offset: int, size: int = WORD) -> NDArray[Any]:
        """Return a view of the `size` characters from `offset` on in each line, as one unsigned integer."""
        return np.ndarray((self.count,), _LOADS[size], self.data, offset, (self.stride,))


def gather(text: NDArray[np.uint8], starts: NDArray[np.intp], length: int) -> Rows:
    """Copy `length` bytes or a little more from each of `starts` on out of `text`, which must have them."""
    stride = -(-length // WORD) * WORD
    every = np.ndarray((len(text) - stride + 1,), f"V{stride}", text, strides=(1,))
    return Rows(every[starts].view(np.uint8), len(starts), stride)


_memory = threading.local()


def _scratch(name: str, size: int) -> NDArray[np.uint8]:
    """Return uint8[size] of any content: the same memory whenever this thread asks by this name.

    Larger arrays are costly to get anew each time, because the system hands their memory out page by page.
    """
    held: NDArray[np.uint8] | None = getattr(_memory, name, None)
    if held is None or len(held) < size:
        held = np.empty(size, np.uint8)
        setattr(_memory, name, held)
    return held[:size]


class _Decimal:
    """The constants for reading a number of decimal digits, made once: NumPy scalars are slow to make."""

    def __init__(self, digits: int) -> None:
        self.size = 2 if digits <= 2 else 4 if digits <= 4 else 8
        kind, bits = _LOADS[self.size].type, 8 * self.size
        everything = (1 << bits) - 1
        self.unused = kind(bits - 8 * digits)
        self.zeros = kind(_ZEROS << int(self.unused) & everything)
        self.above_nine = kind(_ABOVE_NINE & everything)
        self.top_bits = kind(_TOP_BITS & everything)
        # Each step makes one number of two neighbours: times ten (hundred, ten thousand) plus the next.
        lanes = [lane for lane in (8, 16, 32) if lane < bits]
        self.steps = [(kind((10 ** (n // 8) << n) + 1), kind(n), kind(_lanes(n, bits))) for n in lanes]


def _lanes(width: int, bits: int) -> int:
    """Return a mask of every other lane of `width` bits, the lowest included."""
    return sum(((1 << width) - 1) << at for at in range(0, bits, 2 * width))


_DECIMALS = {digits: _Decimal(digits) for digits in range(1, WORD + 1)}


def decimal(rows: Rows, start: int, digits: int) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Read up to 8 decimal digits.

    Returns:
        Unsigned integers [count], and where something else than digits stood (None: nowhere).
    """
    plan = _DECIMALS[digits]
    value = rows.load(start, plan.size) << plan.unused
    value ^= plan.zeros
    return _added_up(value, plan)


def decimal_of_words(words: NDArray[np.uint64]) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """Do the same with words of 8 characters, less (xor) a 0, the last digit highest; changes them."""
    value, wrong = _added_up(words, _DECIMALS[WORD])
    return value.view(np.int64), wrong


def _added_up(value: NDArray[Any], plan: _Decimal) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Make one number of the digits in each word."""
    wrong = value + plan.above_nine
    wrong |= value
    wrong &= plan.top_bits
    for factor, lane, mask in plan.steps:
        value *= factor
        value >>= lane
        value &= mask
    return value, wrong != 0 if wrong.any() else None


_NUMBERS: dict[int, Any] = {2: np.dtype(">u2"), 4: np.dtype(">u4")}
_SHORT_SHIFT = [np.uint32(8 * (4 - digits)) for digits in range(5)]
_SHORT_ZEROS = [np.uint32(_ZEROS << 8 * (4 - digits) & 0xFFFFFFFF) for digits in range(5)]
ALL_ZEROS = np.uint64(_ZEROS)


def hexadecimal_number(
    rows: Rows, start: int, digits: int
) -> tuple[NDArray[np.uint32], NDArray[np.bool_] | None]:
    """Read up to 4, or 8, hexadecimal digits in either case.

    Returns:
        uint32[count], and where something else than digits stood (None: nowhere).
    """
    if digits <= 4:
        text = rows.load(start, 4) << _SHORT_SHIFT[digits]
        text ^= _SHORT_ZEROS[digits]
    else:
        text = rows.load(start) ^ ALL_ZEROS
    parts, wrong = bytes_of_digits(text[:, np.newaxis])
    return parts.view(_NUMBERS[parts.shape[1]]).reshape(-1).astype(np.uint32), wrong


def hexadecimal_bytes(
    rows: Rows, start: int, length: NDArray[np.uint8], most: int
) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Read pairs of hexadecimal digits in either case.

    Args:
        rows: The lines.
        start: Place of the first digit.
        length: uint8[count], number of pairs in each line, up to `most`.
        most: 8 or 64.

    Returns:
        uint8[count, most], zero beyond `length`; and where something else than digits stood (None: nowhere).
    """
    words = _scratch("words", rows.count * most * 2).view(_LOADS[WORD]).reshape(rows.count, most // 4)
    for column in range(words.shape[1]):
        np.bitwise_xor(rows.load(start + column * WORD), ALL_ZEROS, out=words[:, column])
    if (length != most).any():
        used = _scratch("used", rows.count * most * 2).view(_LOADS[WORD]).reshape(words.shape)
        words &= PAIRS_USED[most].take(length, axis=0, out=used, mode="clip")
    return bytes_of_digits(words)


def _pairs_used(most: int) -> NDArray[np.uint64]:
    """Return for each number of pairs up to `most` the mask of their characters, as words."""
    used = np.arange(2 * most) < 2 * np.arange(most + 1)[:, np.newaxis]
    return (used * np.uint8(0xFF)).view(_LOADS[WORD])


PAIRS_USED = {most: _pairs_used(most) for most in (8, 64)}


def bytes_of_digits(words: NDArray[Any]) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Turn words of hexadecimal characters into bytes.

    Args:
        words: Unsigned integers [n, m] of s characters each, less (xor) a 0: so the digits are 0 to 9,
            capital letters from 0x71, small ones from 0x51.

    Returns:
        uint8[n, m * s / 2], and the rows with other characters (None: no row).
    """
    text = words.reshape(-1).view(np.uint8)
    letter = np.bitwise_or(text, np.uint8(0x20), out=_scratch("letter", len(text)))
    letter -= np.uint8(0x71)
    right = np.less(letter, 6, out=_scratch("right", len(text)).view(np.bool_))
    value = np.multiply(right.view(np.uint8), np.uint8(9), out=letter)  # A has 1 in its low bits, not 10
    right |= np.less(text, 10, out=_scratch("used", len(text)).view(np.bool_))
    value += text
    value &= np.uint8(0x0F)
    joined = value.view(words.dtype)  # shifts of whole words are the faster ones
    low = np.right_shift(joined, words.dtype.type(8), out=_scratch("used", len(text)).view(words.dtype))
    joined <<= words.dtype.type(4)
    joined |= low
    parts = joined.view(_PAIR).astype(np.uint8).reshape(len(words), words.shape[1] * words.itemsize // 2)
    if right.all():
        return parts, None
    return parts, np.asarray(~right.reshape(len(words), -1).all(axis=1))
