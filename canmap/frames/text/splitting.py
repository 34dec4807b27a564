"""Frames, text formats: the fields of many lines, and what is written in them, to columns.

In: a block of whole lines. Out: where the fields of each line stand, and the numbers, words and payloads in
a field of many lines at once. Whatever is read is checked character by character: every reader also returns
in which lines something else stands there. A field is described by two columns, its first character and its
length.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.batches import LATEST_NS
from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH
from canmap.frames.text.block import LINE_FEED
from canmap.frames.text.digits import (
    ALL_ZEROS,
    PAIRS_USED,
    WORD,
    bytes_of_digits,
    decimal_of_words,
    gather,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.text.block import TextBlock

_COMMA = 44
_DOT = 46
_ZERO = 48
_RETURN = 13
MOST_DIGITS = 16  # of a decimal number

_BASE_64 = np.full(256, 255, np.uint8)
_BASE_64[np.frombuffer(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/", np.uint8)] = (
    range(64)
)
_PADDING = ord("=")
_POWERS = 10 ** np.arange(19, dtype=np.int64)


class Field(NamedTuple):
    """A field of some lines.

    Attributes:
        start: int64[n], place of its first character in the text.
        length: int64[n], its characters.
    """

    start: NDArray[np.int64]
    length: NDArray[np.int64]

    def part(self, first: int) -> Field:
        """Return the field without its `first` characters."""
        return Field(self.start + first, self.length - first)


class Lines:
    """The lines of a block and their fields.

    Args:
        block: Whole lines.
        commas: Whether fields are parted by commas, else by white space.

    Attributes:
        count: Number of lines.
        starts, ends: int64[count], where each begins, and its line feed.
        fields: int64[count], number of fields in each.
    """

    def __init__(self, block: TextBlock, *, commas: bool = False) -> None:
        self._commas = commas
        self.text = block.data
        text = self.text[: block.size]
        self.ends = np.flatnonzero(text == LINE_FEED)
        self.count = len(self.ends)
        self.starts = np.zeros_like(self.ends)
        np.add(self.ends[:-1], 1, out=self.starts[1:])
        self._field_starts, self._field_ends = _parted_by_commas(text) if commas else _parted_by_blanks(text)
        self._first = np.searchsorted(self._field_starts, self.starts)
        self.fields = np.diff(self._first, append=len(self._field_starts))
        self._dots: NDArray[np.int64] | None = None
        self._words = np.ndarray((len(self.text) - WORD + 1,), "<u8", self.text, strides=(1,))

    def line(self, number: int) -> str:
        """Return a line, in Latin-1, without its line feed."""
        return self.text[self.starts[number] : self.ends[number]].tobytes().decode("latin-1")

    def blank(self) -> NDArray[np.bool_]:
        """Return bool[count]: which lines hold nothing but white space."""
        if not self._commas or not self.count:
            return np.asarray(self.fields == 0)
        whole = self.field(np.arange(self.count), 0)
        if not ((self.fields == 1) & (whole.length > 0)).any():
            return np.asarray((self.fields == 1) & (whole.length == 0))
        inked = ~_is_blank(self.text[: int(self.ends[-1]) + 1])
        return np.asarray(~np.logical_or.reduceat(inked, self.starts))

    def begin_with(self, word: str) -> NDArray[np.bool_]:
        """Return bool[count]: the lines whose first field begins with a word."""
        if not len(self._field_starts):
            return np.zeros(self.count, np.bool_)
        at = self._field_starts[np.minimum(self._first, len(self._field_starts) - 1)]
        begin = self.fields > 0
        for place, letter in enumerate(word.encode()):
            begin &= self.text[at + place] == letter
        return np.asarray(begin)

    def field(self, lines: NDArray[np.intp], number: int | NDArray[np.int64]) -> Field:
        """Return a field of some lines, which must have it."""
        at = self._first[lines] + number
        start = self._field_starts[at]
        return Field(start, self._field_ends[at] - start)

    def split_at_dot(self, field: Field) -> tuple[Field, Field]:
        """Return what stands before the first dot of a field and what stands after it, empty without one."""
        if self._dots is None:
            self._dots = np.append(np.flatnonzero(self.text == _DOT), len(self.text))
        dot = self._dots[np.searchsorted(self._dots, field.start)]
        end = field.start + field.length
        before = np.minimum(dot, end)
        after = np.minimum(dot + 1, end)
        return Field(field.start, before - field.start), Field(after, end - after)

    def last_characters(self, field: Field) -> NDArray[np.uint8]:
        """Return the last character of a field that is not empty."""
        return np.asarray(self.text[np.maximum(field.start + field.length - 1, 0)])

    def are(self, field: Field, word: str) -> NDArray[np.bool_]:
        """Return where a field is a word."""
        right = field.length == len(word)
        for first in range(0, len(word), WORD):
            part = int.from_bytes(word[first : first + WORD].encode(), "little")
            right &= self._word(Field(field.start + first, field.length - first)) == np.uint64(part)
        return np.asarray(right)

    def start_with(self, field: Field, word: str) -> NDArray[np.bool_]:
        """Return where a field begins with a word of up to 8 characters."""
        beginning = Field(field.start, np.minimum(field.length, len(word)))
        return self.are(beginning, word)

    def decimal(self, field: Field) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Read a decimal number of up to 16 digits without sign: its values, and where it is none."""
        low = np.minimum(field.length, WORD)
        value, right = self._eight_digits(Field(field.start + field.length - low, low))
        right &= (field.length > 0) & (field.length <= MOST_DIGITS)
        if (field.length > WORD).any():
            high, also = self._eight_digits(Field(field.start, np.clip(field.length - WORD, 0, WORD)))
            value += high * 100_000_000
            right &= also
        return value, ~right

    def padded(self, field: Field) -> NDArray[np.bool_]:
        """Return where a field is no decimal number, or one with zeros before it."""
        padded = (field.length > 1) & (self.text[field.start] == _ZERO)
        return np.asarray(self.decimal(field)[1] | padded)

    def decimal_ns(
        self, field: Field, unit_ns: int, start_ns: int = 0
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Read a number of units after a start, with a fraction or not, as ns, rounded down.

        Returns:
            int64[n], and where it is none, has more than 16 digits on a side, or is too late for 64 bits.
        """
        before, after = self.split_at_dot(field)
        whole, wrong = self.decimal(before)
        part, odd = self.decimal(after)
        wrong |= odd & (after.length > 0)
        wrong |= whole >= (LATEST_NS - abs(start_ns)) // unit_ns
        digits = np.minimum(after.length, MOST_DIGITS)
        part //= _POWERS[np.maximum(digits - 9, 0)]
        part = part * unit_ns // _POWERS[np.minimum(digits, 9)]
        return np.where(wrong, 0, whole) * unit_ns + part + start_ns, wrong

    def hexadecimal(self, field: Field) -> tuple[NDArray[np.uint32], NDArray[np.bool_]]:
        """Read a hexadecimal number of up to 8 digits: its values, and where it is none."""
        unused = _unused_bits(field.length)
        words = (self._words[field.start] << unused) ^ (ALL_ZEROS << unused)
        parts, wrong = bytes_of_digits(words[:, np.newaxis])
        odd = (field.length < 1) | (field.length > WORD)
        return parts.view(">u4").reshape(-1).astype(np.uint32), odd if wrong is None else odd | wrong

    def payload(
        self, lines: NDArray[np.intp], number: int | NDArray[np.int64], length: NDArray[np.int64]
    ) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.bool_]]:
        """Read the fields from `number` on as bytes of two hexadecimal digits, each with one blank behind it.

        Args:
            lines: The lines, each with a field.
            number: Of the first byte, or of each line's.
            length: Number of bytes in each line, up to 64.

        Returns:
            uint8[n, 8 or 64], zero beyond `length`; the length, and where something else stands.
        """
        if not len(lines):
            return np.zeros((0, CLASSIC_WIDTH), np.uint8), length, np.zeros(0, np.bool_)
        few = self.fields[lines] < number + length
        length = np.where(few, 0, length)
        most = CLASSIC_WIDTH if length.max() <= CLASSIC_WIDTH else FD_WIDTH
        start = self.field(lines, np.minimum(number, self.fields[lines] - 1)).start
        rows = gather(self.text, start, 3 * most)
        pairs = np.ndarray((rows.count, most), "<u2", rows.data, 0, (rows.stride, 3))
        behind = np.ndarray((rows.count, most), np.uint8, rows.data, 2, (rows.stride, 3))
        words = np.ascontiguousarray(pairs).view("<u8") ^ ALL_ZEROS
        words &= PAIRS_USED[most][length]
        parts, wrong = bytes_of_digits(words)
        parted = _is_blank(behind) | (np.arange(most) >= length[:, np.newaxis])
        odd = few | ~parted.all(axis=1)
        return parts, length, odd if wrong is None else odd | wrong

    def base64(
        self, field: Field, length: NDArray[np.int64], most: int
    ) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        """Read a field in base 64 that stands for `length` bytes, up to `most`.

        Returns:
            uint8[n, most], zero beyond `length`, and where something else stands.
        """
        groups = -(-most // 3)
        characters = gather(self.text, field.start, 4 * groups).data.reshape(len(length), -1)[:, : 4 * groups]
        values = _BASE_64[characters]
        place = np.arange(4 * groups)
        used = -(-length * 4 // 3)[:, np.newaxis]  # characters that hold bits
        whole = -(-length // 3)[:, np.newaxis] * 4
        wrong = field.length != whole[:, 0]
        wrong |= ((values > 63) & (place < used)).any(axis=1)
        wrong |= ((characters != _PADDING) & (place >= used) & (place < whole)).any(axis=1)
        values[place >= used] = 0
        one, two, three, four = (values[:, number::4] for number in range(4))
        payload = np.empty((len(length), groups, 3), np.uint8)
        payload[:, :, 0] = one << 2 | two >> 4
        payload[:, :, 1] = two << 4 | three >> 2
        payload[:, :, 2] = three << 6 | four
        flat = np.ascontiguousarray(payload.reshape(len(length), -1)[:, :most])
        flat[np.arange(most) >= length[:, np.newaxis]] = 0  # bits beyond the last byte
        return flat, wrong

    def names(
        self, field: Field, wrong: NDArray[np.bool_]
    ) -> tuple[tuple[str, ...], NDArray[np.intp], NDArray[np.bool_]]:
        """Return the names in a field, the number of each line's, and where it has over 8 characters."""
        odd = wrong | (field.length > WORD) | (field.length < 1)
        words = np.where(odd, 0, self._word(field))
        found, numbers = np.unique(words, return_inverse=True)
        names = tuple(int(word).to_bytes(WORD, "little").rstrip(b"\0").decode("latin-1") for word in found)
        return names, numbers, odd

    def _word(self, field: Field) -> NDArray[np.uint64]:
        """Return the first 8 characters of a field, 0 behind its end."""
        unused = _unused_bits(field.length)
        words: NDArray[np.uint64] = self._words[field.start]
        return words << unused >> unused

    def _eight_digits(self, field: Field) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        unused = _unused_bits(field.length)
        value, wrong = decimal_of_words((self._words[field.start] << unused) ^ (ALL_ZEROS << unused))
        return value, np.ones(len(value), np.bool_) if wrong is None else ~wrong


def _unused_bits(length: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return the bits of a word that a field of so many characters does not fill, 64 for an empty one."""
    return (8 * (WORD - np.minimum(length, WORD))).astype(np.uint64)


def _is_blank(text: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return where white space stands: what str.split() takes for it, in Latin-1."""
    blank = text == 32
    blank |= text - np.uint8(9) < 5  # tab to carriage return
    blank |= text - np.uint8(28) < 4  # the separators of ASCII
    blank |= text == 0x85
    blank |= text == 0xA0
    return np.asarray(blank)


def _parted_by_blanks(text: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    blank = np.ones(len(text) + 1, np.bool_)
    blank[1:] = _is_blank(text)
    edges = np.flatnonzero(blank[1:] != blank[:-1])
    return edges[::2], edges[1::2]


def _parted_by_commas(text: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    ends = np.flatnonzero((text == _COMMA) | (text == LINE_FEED))
    starts = np.zeros_like(ends)
    np.add(ends[:-1], 1, out=starts[1:])
    returns = (text[ends] == LINE_FEED) & (ends > starts) & (text[np.maximum(ends - 1, 0)] == _RETURN)
    return starts, ends - returns
