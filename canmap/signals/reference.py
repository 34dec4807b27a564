"""2. The slow, obvious twin of `extract`: one frame, one signal, one bit at a time, in Python integers.

It follows the definition of the bit numbering of a DBC and nothing else, so that the tests can hold the
fast path against it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal


def bit_walk(signal: DescribedSignal) -> Iterator[int]:
    """Yield the bit numbers of `signal` from the most to the least significant."""
    if not signal.big_endian:
        yield from reversed(range(signal.start_bit, signal.start_bit + signal.bits))
        return
    bit = signal.start_bit
    for _ in range(signal.bits):
        yield bit
        bit = bit - 1 if bit % 8 else bit + 15


def raw_value(signal: DescribedSignal, payload: bytes) -> int | None:
    """Return the raw value of `signal` in `payload`, None where the payload is too short for it.

    Two's complement for a signed signal; the bit pattern, never negative, for any other.
    """
    value = 0
    for bit in bit_walk(signal):
        if bit // 8 >= len(payload):
            return None
        value = value << 1 | payload[bit // 8] >> bit % 8 & 1
    negative = signal.signed and not signal.is_float and value >> (signal.bits - 1)
    return value - (1 << signal.bits) if negative else value


def present(message: DescribedMessage, signal: DescribedSignal, payload: bytes) -> bool:
    """Return whether the multiplexers of `message` say that `payload` carries `signal`."""
    if signal.selector is None:
        return True
    selector = next(other for other in message.signals if other.name == signal.selector)
    if not present(message, selector, payload):
        return False
    value = raw_value(selector, payload)
    return value is not None and any(low <= value <= high for low, high in signal.selected_by)


def decode(message: DescribedMessage, payload: bytes) -> dict[str, int | None]:
    """Return the raw value of every signal that is present; None for one that does not fit."""
    return {
        signal.name: raw_value(signal, payload)
        for signal in message.signals
        if present(message, signal, payload)
    }
