"""Simulator: values to the payload that a described message carries, with its counter and checksum, and back.

The layout comes from the bus description, so that kit and description cannot drift apart; where a fault wants
them to, `misread` makes the layout that a wrong description would not expect.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.errors import UsageError
from canmap.mapping.description.bits import first_bit
from canmap.payload.checksums import profile1_checksum, profile1_checksums
from canmap.payload.counters import PROFILE1_COUNTER, RollingCounter
from canmap.payload.packing import Packing, limits, raw_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from fractions import Fraction

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal
    from canmap.payload.packing import Column

EXTENDED = 1 << 31  # marks an identifier of 29 bits, as bus descriptions do


class Guard(NamedTuple):
    """How the frames of a message are counted and checked.

    Attributes:
        counter: What it counts.
        checksums: Payloads (uint8[n, length]), the byte of the checksum and the data identifier to uint8[n].
        checksum: The same of one payload.
        counted_in: The signal with the counter.
        checked_in: The signal with the checksum.
    """

    counter: RollingCounter
    checksums: Callable[[NDArray[np.uint8], int, int], NDArray[np.uint8]]
    checksum: Callable[[bytes, int, int], int]
    counted_in: str = "Counter"
    checked_in: str = "Checksum"


PROFILE1 = Guard(PROFILE1_COUNTER, profile1_checksums, profile1_checksum)


class Layout:
    """How one message is packed.

    Attributes:
        message: As described.
        data_id: Of its checksum, None where it carries none.
        guard: How it is counted and checked.
        read_each: Returns the physical values of some signals, see `Packing.read_each`.
    """

    def __init__(
        self, message: DescribedMessage, data_id: int | None = None, guard: Guard = PROFILE1
    ) -> None:
        self.message, self.data_id, self.guard = message, data_id, guard
        self._packing, self._checksum = Packing(message), guard.checksum
        self._signals, self.read_each = self._packing.signals, self._packing.read_each
        self._counted_in = guard.counted_in if guard.counted_in in self._signals else ""
        counters: list[int] = guard.counter.of_frames(np.arange(guard.counter.values)).tolist()
        # What the counter adds to single frames, one after the other.
        self._round = [{self._counted_in: counter} for counter in counters] if self._counted_in else [{}]
        self._scaling = {
            name: (float(signal.factor), float(signal.offset)) for name, signal in self._signals.items()
        }
        self._limits = {name: limits(signal) for name, signal in self._signals.items()}
        self._checksum_byte = self._signals[guard.checked_in].start_bit // 8 if data_id is not None else -1

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
        raw = {name: raw_of(signal, values[name]) for name, signal in self._signals.items() if name in values}
        if self._counted_in:
            raw[self._counted_in] = self.guard.counter.of_frames(counts).astype(np.uint64)
        payload = self._packing.pack(raw, len(counts))
        if self.data_id is not None:
            place = self._checksum_byte
            payload[:, place] = self.guard.checksums(payload, place, self.data_id) ^ broken
        return payload

    def pack_one(self, values: Mapping[str, float], count: int, broken: int = 0) -> bytes:
        """Return the payload of one frame: `pack`, one at a time."""
        payload = self._packing.payload_of(values, self._round[count % len(self._round)])
        if self.data_id is None:
            return payload
        checked, place = bytearray(payload), self._checksum_byte
        checked[place] = self._checksum(payload, place, self.data_id) ^ broken
        return bytes(checked)

    @property
    def wire_id(self) -> int:
        """The identifier, with `EXTENDED` where it has 29 bits."""
        return self.message.can_id | EXTENDED * self.message.extended

    def read(self, payload: bytes, name: str) -> float:
        """Return the physical value of a signal."""
        return self.read_each(payload, (name,))[0]

    def rounded(self, name: str, value: float) -> float:
        """Return the physical value that is read where `value` was packed."""
        factor, offset = self._scaling[name]
        least, most = self._limits[name]
        raw = round((value - offset) / factor)
        return (least if raw < least else most if raw > most else raw) * factor + offset

    def checks(self, payload: bytes) -> bool:
        """Tell whether the checksum is right; True where there is none."""
        if self.data_id is None:
            return True
        place = self._checksum_byte
        return payload[place] == self._checksum(payload, place, self.data_id)


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
        if first_bit(signal) % 8 or signal.bits % 8 or signal.bits == 8:
            raise UsageError(f"The bytes of {where} cannot be swapped: it does not fill two or more of them.")
        signal = replace(
            signal,
            start_bit=_swapped_start(signal),
            big_endian=not signal.big_endian,
        )
    changed = tuple(signal if each.name == name else each for each in message.signals)
    return Layout(replace(message, signals=changed), layout.data_id, layout.guard)


def _swapped_start(signal: DescribedSignal) -> int:
    """Return the start bit of the signal in the same bytes and the other order."""
    first = first_bit(signal)  # of a whole byte, in either order
    return first if signal.big_endian else first + 7
