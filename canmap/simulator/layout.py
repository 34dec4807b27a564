"""Simulator: values to the payload that a described message carries, with its counter and checksum, and back.

The layout comes from the bus description, so that kit and description cannot drift apart; where a fault wants
them to, `misread` makes the layout that a wrong description would not expect.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

    from numpy.typing import NDArray

    from canmap.spec.description import DescribedMessage, DescribedSignal

    Column = NDArray[np.float64] | NDArray[np.int64] | NDArray[np.bool_] | float

CRC8_J1850 = 0x1D  # polynomial of E2E profile 1
COUNTER_VALUES = 15  # 0 to 14; 15 is never sent (E2E profile 1)
COUNTER, CHECKSUM = "Counter", "Checksum"


def _crc8_table(polynomial: int) -> NDArray[np.uint8]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = (value << 1) ^ (polynomial if value & 0x80 else 0)  # noqa: PLW2901
        table.append(value & 0xFF)
    return np.array(table, np.uint8)


_TABLE = _crc8_table(CRC8_J1850)


def profile1_checksums(payload: NDArray[np.uint8], checksum_byte: int, data_id: int) -> NDArray[np.uint8]:
    """Return the checksums of E2E profile 1, the data identifier taken low byte, then high byte; uint8[n].

    CRC-8 of polynomial 0x1D, start 0, no final inversion, over the data identifier and then all bytes of
    `payload`, uint8[n, length], but the one at `checksum_byte` [AUTOSAR E2E protocol, profile 1].
    """
    value = np.full(len(payload), _TABLE[_TABLE[data_id & 0xFF] ^ (data_id >> 8)], np.uint8)
    for index in range(payload.shape[1]):
        if index != checksum_byte:
            value = _TABLE[value ^ payload[:, index]]
    return value


class _Place(NamedTuple):
    """A signal in the payload, read as one number in its own byte order."""

    name: str
    shift: int
    mask: int
    signed: bool
    big_endian: bool
    factor: float
    offset: float
    page: int | None

    def raw(self, values: Column) -> NDArray[np.uint64]:
        """Return the bits of values, cut to what they can hold."""
        least, most = (-(self.mask >> 1) - 1, self.mask >> 1) if self.signed else (0, self.mask)
        raw = np.rint((np.asarray(values, np.float64) - self.offset) / self.factor)
        return np.clip(raw, least, most).astype(np.int64).astype(np.uint64) & np.uint64(self.mask)


class Layout:
    """How one message is packed.

    Attributes:
        message: As described.
        data_id: Of its checksum, None where it carries none.
    """

    def __init__(self, message: DescribedMessage, data_id: int | None = None) -> None:
        self.message, self.data_id = message, data_id
        self._length = message.length
        places = [_place(signal, message.length) for signal in message.signals]
        self._places = [place for place in places if place.name not in {COUNTER, CHECKSUM}]
        self._named = {place.name: place for place in places}
        self._selector = next((signal.selector for signal in message.signals if signal.selector), None)
        self._counter = self._named.get(COUNTER)
        self._checksum_byte = self._named[CHECKSUM].shift // 8 if data_id is not None else -1

    def pack(
        self, values: Mapping[str, Column], counts: NDArray[np.int64], broken: int = 0
    ) -> NDArray[np.uint8]:
        """Return the payloads of frames, uint8[n, length].

        Args:
            values: Signal to physical values, float64[n] or one for all; to codes where it has no unit.
                What is not named is 0; what the bits cannot hold is cut to the nearest that they can.
            counts: int64[n], number of each frame, from which the counter comes.
            broken: Is mixed into the checksum; anything but 0 makes it wrong.
        """
        little, big = np.zeros(len(counts), np.uint64), np.zeros(len(counts), np.uint64)
        page = np.asarray(0.0 if self._selector is None else values[self._selector], np.float64)
        for place in self._places:
            if place.name not in values:
                continue
            raw = place.raw(values[place.name])
            if place.page is not None:
                raw = np.where(page == place.page, raw, np.uint64(0))
            target = big if place.big_endian else little
            target |= raw << np.uint64(place.shift)
        if self._counter is not None:
            little |= (counts % COUNTER_VALUES).astype(np.uint64) << np.uint64(self._counter.shift)
        unused = np.uint64(8 * (8 - self._length))
        little |= (big << unused).byteswap()
        payload = little.astype("<u8").view(np.uint8).reshape(-1, 8)[:, : self._length].copy()
        if self.data_id is not None:
            payload[:, self._checksum_byte] = self._checksums(payload) ^ broken
        return payload

    def _checksums(self, payload: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return profile1_checksums(payload, self._checksum_byte, self.data_id or 0)

    def read(self, payload: bytes, name: str) -> float:
        """Return the physical value of a signal."""
        _, shift, mask, signed, big_endian, factor, offset, _ = self._named[name]
        raw = (int.from_bytes(payload, "big" if big_endian else "little") >> shift) & mask
        if signed and raw > mask >> 1:
            raw -= mask + 1
        return raw * factor + offset

    def rounded(self, name: str, value: float) -> float:
        """Return the physical value that is read where `value` was packed."""
        place = self._named[name]
        least, most = (-(place.mask >> 1) - 1, place.mask >> 1) if place.signed else (0, place.mask)
        raw = round((value - place.offset) / place.factor)
        return (least if raw < least else most if raw > most else raw) * place.factor + place.offset

    def checks(self, payload: bytes) -> bool:
        """Tell whether the checksum is right; True where there is none."""
        if self.data_id is None:
            return True
        whole = np.frombuffer(payload, np.uint8).reshape(1, -1)
        return bool(payload[self._checksum_byte] == self._checksums(whole)[0])


def _place(signal: DescribedSignal, length: int) -> _Place:
    shift = signal.start_bit
    if signal.big_endian:
        # The most significant bit is bit `start % 8` of its byte; count from the end of the payload.
        shift = 8 * (length - 1 - signal.start_bit // 8) + signal.start_bit % 8 - signal.bits + 1
    return _Place(
        signal.name,
        shift,
        (1 << signal.bits) - 1,
        signal.signed,
        signal.big_endian,
        float(signal.factor),
        float(signal.offset),
        signal.selected_by[0][0] if signal.selected_by else None,
    )


def misread(layout: Layout, name: str, *, factor: Fraction | None = None, swap: bool = False) -> Layout:
    """Return the layout of a kit that sends signal `name` otherwise than its description says.

    Args:
        layout: As described.
        name: The signal.
        factor: What its true factor and offset are, times the described ones; -1 turns the sign.
        swap: Its bytes come in the other order; it must fill whole bytes.

    Raises:
        UsageError: The message has no such signal, or its bytes cannot be swapped.
    """
    message = layout.message
    signals = {signal.name: signal for signal in message.signals}
    where = f"{message.name}.{name}"
    if name not in signals:
        raise UsageError(f"There is no signal {where}; {message.name} has {', '.join(signals)}.")
    signal = signals[name]
    if factor is not None:
        signal = replace(signal, factor=signal.factor * factor, offset=signal.offset * factor)
    if swap:
        place = _place(signal, message.length)
        if place.shift % 8 or signal.bits % 8 or signal.bits == 8:
            raise UsageError(f"The bytes of {where} cannot be swapped: it does not fill two or more of them.")
        signal = replace(
            signal,
            start_bit=_swapped_start(signal, place.shift, message.length),
            big_endian=not signal.big_endian,
        )
    changed = tuple(signal if each.name == name else each for each in message.signals)
    return Layout(replace(message, signals=changed), layout.data_id)


def _swapped_start(signal: DescribedSignal, shift: int, length: int) -> int:
    """Return the start bit of the signal in the same bytes and the other order."""
    if signal.big_endian:
        return 8 * (length - (shift + signal.bits) // 8)
    return shift + 7
