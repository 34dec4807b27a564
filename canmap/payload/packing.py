"""Values to payload bits: the way back of `signals.extract`, column by column.

A signal of any length and byte order, an IEEE number or a multiplexed signal at any depth goes where the bus
description says. A payload is written as 64-bit words, little-endian and big-endian ones, which are merged at
the end. A single frame, for which a column costs more than what is in it, is written and read as one whole
number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from canmap.mapping.description.bits import first_bit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal

    Column = NDArray[np.floating] | NDArray[np.int64] | NDArray[np.uint64] | NDArray[np.bool_] | float
    Order = Literal["little", "big"]
    # What it takes to write a signal into a single frame: offset, factor, least and largest count, mask,
    # shift from the least significant bit of the whole payload, and whether the value is the count. A plain
    # tuple is taken apart twice as fast as a named one.
    Field = tuple[float, float, int, int, int, int, bool]

WORD_BITS = 64


def raw_of(signal: DescribedSignal, values: Column) -> NDArray[np.uint64]:
    """Return the bits of physical values of a signal, uint64[n] or [].

    Values are finite. Each is rounded to the nearest count, and what the bits cannot hold to the nearest that
    they can.
    """
    numbers = (np.asarray(values, np.float64) - float(signal.offset)) / float(signal.factor)
    if signal.is_float:
        with np.errstate(over="ignore"):  # a number too large for few bits becomes infinite
            pattern = numbers.astype(f"f{signal.bits // 8}").view(f"u{signal.bits // 8}")
        return pattern.astype(np.uint64)
    least, most = limits(signal)
    counts = np.rint(numbers)
    inside = counts.clip(float(least), np.nextafter(float(most) + 1, 0))
    kind = np.int64 if signal.signed else np.uint64
    raw = np.where(counts >= float(most), np.array(most, kind), inside.astype(kind))
    return raw.view(np.uint64) & np.uint64((1 << signal.bits) - 1)


def limits(signal: DescribedSignal) -> tuple[int, int]:
    """Return the smallest and the largest count that the bits of an integer signal hold."""
    if signal.signed:
        return -(1 << (signal.bits - 1)), (1 << (signal.bits - 1)) - 1
    return 0, (1 << signal.bits) - 1


class Packing:
    """How the payload of one described message is written and read, bit by bit.

    Attributes:
        message: As described.
        signals: Its signals by name.
    """

    def __init__(self, message: DescribedMessage) -> None:
        self.message = message
        self.signals = {signal.name: signal for signal in message.signals}
        self._words = -(-message.length // 8)
        self._order = _order(message)
        self._fields = {
            signal.name: _field(signal, message.length, self._order or _own_order(signal))
            for signal in message.signals
        }

    def pack(self, raw: Mapping[str, NDArray[np.uint64]], frames: int) -> NDArray[np.uint8]:
        """Return payloads, uint8[frames, length].

        Args:
            raw: Signal to its bits, uint64[frames] or one for all, as `raw_of` gives them. What is not named
                is 0; a multiplexed signal is written where its selectors have values that it goes with.
            frames: How many.
        """
        raw = {name: np.atleast_1d(bits) for name, bits in raw.items()}  # where single numbers may wrap
        words = {big: np.zeros((self._words, frames), np.uint64) for big in (False, True)}
        present: dict[str, NDArray[np.bool_] | None] = {}
        for name, signal in self.signals.items():
            if name not in raw:
                continue
            there = self._present(signal, raw, present)
            bits = raw[name] if there is None else np.where(there, raw[name], np.uint64(0))
            _write(words[signal.big_endian], signal, bits)
        whole = _bytes_of(words[False], "<u8")
        if words[True].any():
            whole |= _bytes_of(words[True], ">u8")
        return whole[:, : self.message.length].copy()

    def raw_of_one(self, name: str, value: float) -> int:
        """Return the bits of one physical value of a signal: `raw_of`, one at a time."""
        signal = self.signals[name]
        if signal.is_float:
            return int(raw_of(signal, value))
        offset, factor, least, most, mask, _, _ = self._fields[name]
        count = round((value - offset) / factor)
        return (least if count < least else most if count > most else count) & mask

    def pack_one(self, raw: Mapping[str, int]) -> bytes:
        """Return the payload of one frame: `pack`, one at a time."""
        if self._order is not None:
            return self.payload_of({}, raw)
        length, little, big = self.message.length, 0, 0
        for name, bits in raw.items():
            signal = self.signals[name]
            if signal.selector is not None and not self._chosen(signal, raw):
                continue
            shift = self._fields[name][5]
            if signal.big_endian:
                big |= bits << shift
            else:
                little |= bits << shift
        if big:
            little |= int.from_bytes(big.to_bytes(length, "big"), "little")
        return little.to_bytes(length, "little")

    def payload_of(self, values: Mapping[str, float], raw: Mapping[str, int]) -> bytes:
        """Return the payload of one frame.

        Args:
            values: Signal to its physical value, see `raw_of_one`; what the message has not is left out.
            raw: Signal to its bits, for those that `values` does not name.
        """
        if self._order is None:
            bits_of = {
                name: self.raw_of_one(name, each) for name, each in values.items() if name in self.signals
            }
            return self.pack_one({**bits_of, **raw})
        number, fields = 0, self._fields
        for name, value in values.items():
            if name in fields:
                offset, factor, least, most, mask, shift, whole = fields[name]
                count = round(value if whole else (value - offset) / factor)
                number |= ((least if count < least else most if count > most else count) & mask) << shift
        for name, bits in raw.items():
            number |= bits << fields[name][5]
        return number.to_bytes(self.message.length, self._order)

    def _chosen(self, signal: DescribedSignal, raw: Mapping[str, int]) -> bool:
        """Whether a signal is present in a frame."""
        if signal.selector is None:
            return True
        selector = self.signals[signal.selector]
        code, wrap = raw.get(selector.name, 0), (1 << selector.bits) - 1
        for low, high in signal.selected_by:
            if code - low & wrap <= high - low:
                return selector.selector is None or self._chosen(selector, raw)
        return False

    def read_each(self, payload: bytes, names: Sequence[str]) -> list[float]:
        """Return the physical values of integer signals in one frame."""
        fields, values = self._fields, []
        if self._order is None or len(payload) != self.message.length:
            return [self.read(payload, name) * fields[name][1] + fields[name][0] for name in names]
        number = int.from_bytes(payload, self._order)
        for name in names:
            offset, factor, _, most, mask, shift, _ = fields[name]
            raw = number >> shift & mask
            values.append((raw - mask - 1 if raw > most else raw) * factor + offset)
        return values

    def read(self, payload: bytes, name: str) -> int:
        """Return the raw value of an integer signal; two's complement where it is signed."""
        signal = self.signals[name]
        number = int.from_bytes(payload, "big" if signal.big_endian else "little")
        first = first_bit(signal)
        shift = 8 * len(payload) - first - signal.bits if signal.big_endian else first
        raw = number >> shift & (1 << signal.bits) - 1
        return raw - (1 << signal.bits) if signal.signed and raw >> (signal.bits - 1) else raw

    def _present(
        self,
        signal: DescribedSignal,
        raw: Mapping[str, NDArray[np.uint64]],
        known: dict[str, NDArray[np.bool_] | None],
    ) -> NDArray[np.bool_] | None:
        """In which frames a signal is present; None for all."""
        if signal.selector is None:
            return None
        if signal.name in known:
            return known[signal.name]
        selector = self.signals[signal.selector]
        codes = raw.get(selector.name, np.zeros(1, np.uint64))
        there = self._present(selector, raw, known)
        chosen = np.zeros(np.shape(codes), np.bool_)
        wrap = (1 << selector.bits) - 1
        for low, high in signal.selected_by:
            chosen |= (codes - np.uint64(low & wrap)) & np.uint64(wrap) <= np.uint64(high - low)
        known[signal.name] = chosen if there is None else chosen & there
        return known[signal.name]


def _field(signal: DescribedSignal, length: int, order: Order) -> Field:
    """Return how a signal is written into a payload that is one number of that byte order."""
    # Its least significant bit, as the description counts bits: that of the last of its bytes, or the first.
    lowest = signal.start_bit
    if signal.big_endian:
        last = first_bit(signal) + signal.bits - 1
        lowest = last // 8 * 8 + 7 - last % 8
    byte, bit = divmod(lowest, 8)
    return (
        float(signal.offset),
        float(signal.factor),
        *limits(signal),
        (1 << signal.bits) - 1,
        8 * (byte if order == "little" else length - 1 - byte) + bit,
        signal.factor == 1 and signal.offset == 0,
    )


def _own_order(signal: DescribedSignal) -> Order:
    return "big" if signal.big_endian else "little"


def _order(message: DescribedMessage) -> Order | None:
    """Return the byte order of a message whose every frame has the same integers, None of any other.

    A signal within one byte goes with either order.
    """
    if any(each.is_float or each.selector is not None for each in message.signals):
        return None
    longer = {_own_order(each) for each in message.signals if first_bit(each) % 8 + each.bits > 8}
    return None if len(longer) > 1 else longer.pop() if longer else "little"


def _write(words: NDArray[np.uint64], signal: DescribedSignal, bits: NDArray[np.uint64]) -> None:
    """Put the bits of a signal into words uint64[words, n] of its own byte order."""
    word, first = divmod(first_bit(signal), WORD_BITS)
    beyond = first + signal.bits - WORD_BITS  # bits that go on in the next word
    if signal.big_endian:
        words[word] |= bits >> np.uint64(beyond) if beyond > 0 else bits << np.uint64(-beyond)
        if beyond > 0:
            words[word + 1] |= bits << np.uint64(WORD_BITS - beyond)
        return
    words[word] |= bits << np.uint64(first)
    if beyond > 0:
        words[word + 1] |= bits >> np.uint64(WORD_BITS - first)


def _bytes_of(words: NDArray[np.uint64], order: str) -> NDArray[np.uint8]:
    frames = words.shape[1]
    return np.ascontiguousarray(words.T).astype(order).view(np.uint8).reshape(frames, -1)
