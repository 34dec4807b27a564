"""0. Whether a bus description makes sense: what clashes in it, and what lies where no bit is.

In come the messages of a description and the lines on which they are written, out go faults. Two
signals may share bits where no selector value lets both be present.
"""

from __future__ import annotations

from itertools import combinations, islice
from typing import TYPE_CHECKING

from canmap.errors import Fault

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Sequence

    from canmap.spec.dbctext import MessageLine
    from canmap.spec.description import DescribedMessage, DescribedSignal

LONGEST_SIGNAL = 64
LARGEST_NUMBER = 10**100  # whatever is worked out from smaller ones fits a floating-point number
_LONGEST_PERIOD_NS = 7 * 86_400 * 10**9
_MOST_OVERLAPS = 20  # told of one message; there are as many as pairs of signals
_FLOAT_LENGTHS = (16, 32, 64)

Ranges = tuple[tuple[int, int], ...]


def layout_faults(
    path: str, messages: Sequence[DescribedMessage], written: Sequence[MessageLine | None]
) -> Iterator[Fault]:
    """Yield everything that is wrong with `messages`, with the line of the part to change."""
    yield from _repeated_messages(path, messages, written)
    for message, place in zip(messages, written, strict=True):
        if (message.period_ns or 0) > _LONGEST_PERIOD_NS:
            text = f"message {message.name} has a cycle time of more than a week; correct it."
            yield Fault(path, _line(place), 0, text)
        checker = _MessageChecker(path, message, place)
        yield from checker.faults()


def _repeated_messages(
    path: str, messages: Sequence[DescribedMessage], written: Sequence[MessageLine | None]
) -> Iterator[Fault]:
    """Yield the messages whose identifier or name another message has already."""

    def fault(first: int, second: int, what: str, advice: str) -> Fault:
        one, other = messages[first], messages[second]
        return Fault(
            path,
            _line(written[second]),
            0,
            f"message {other.name} (identifier 0x{other.can_id:X}) has the {what} of message {one.name}"
            f"{_at(written[first])}; {advice} one of them.",
        )

    for first, second in _repeats([(message.can_id, message.extended) for message in messages]):
        yield fault(first, second, "identifier", "remove")
    for first, second in _repeats([message.name for message in messages]):
        yield fault(first, second, "name", "rename")


def _repeats(keys: Sequence[Hashable]) -> Iterator[tuple[int, int]]:
    """Yield the index of the first of `keys` that is like a later one, and that of the later one."""
    seen: dict[Hashable, int] = {}
    for index, key in enumerate(keys):
        earlier = seen.setdefault(key, index)
        if earlier != index:
            yield earlier, index


def _line(place: MessageLine | None) -> int:
    return place.line if place else 0


def _at(place: MessageLine | None) -> str:
    return f" (line {place.line})" if place else ""


class _MessageChecker:
    """Finds the faults of one message."""

    def __init__(self, path: str, message: DescribedMessage, place: MessageLine | None) -> None:
        self.path = path
        self.message = message
        self.place = place
        self.by_name = {signal.name: signal for signal in message.signals}

    def faults(self) -> Iterator[Fault]:
        signals = self.message.signals
        for first, second in _repeats([signal.name for signal in signals]):
            where = self._at(first)
            yield self._fault(
                second, f"has a name that another signal{where} has already; rename one of them"
            )
        for index, signal in enumerate(signals):
            for text in (self._shape(signal), self._selection(index, signal)):
                if text:
                    yield self._fault(index, text)
        yield from islice(self._overlaps(), _MOST_OVERLAPS)

    def _shape(self, signal: DescribedSignal) -> str | None:
        """Say what is wrong with place and length of `signal`."""
        if not 1 <= signal.bits <= LONGEST_SIGNAL:
            return f"is {signal.bits} bits long; the longest that can be read is {LONGEST_SIGNAL}"
        if signal.is_float and signal.bits not in _FLOAT_LENGTHS:
            return f"is a floating-point number of {signal.bits} bits; it takes 16, 32 or 64"
        if max(abs(signal.factor), abs(signal.offset)) > LARGEST_NUMBER:
            return "has a factor or an offset that no quantity has; correct it"
        if signal.start_bit < 0 or bytes_needed(signal) > self.message.length:
            return (
                f"does not fit: it needs {bytes_needed(signal)} bytes and the message has "
                f"{self.message.length}; correct its start bit, its length or its byte order"
            )
        return None

    def _selection(self, index: int, signal: DescribedSignal) -> str | None:
        """Say what is wrong with the multiplexing of `signal`."""
        if signal.selector is None:
            marker = self.place.signals[index].marker if self.place else ""
            if marker.startswith("m"):
                return f"is marked {marker}, but nothing says which signal selects it; mark that one M"
            return None
        selector = self.by_name.get(signal.selector)
        wrong = None
        if selector is None:
            wrong = "which the message does not have"
        elif selector.is_float:
            wrong = "which is a floating-point number"
        elif not signal.selected_by:
            wrong = "but by no value of it"
        elif self._conditions(signal) is None:
            wrong = "which it selects itself, in a circle"
        return wrong and f"is selected by {signal.selector}, {wrong}"

    def _conditions(self, signal: DescribedSignal) -> dict[str, Ranges] | None:
        """Return selector to ranges in which `signal` is present; None for a circle."""
        conditions: dict[str, Ranges] = {}
        while signal.selector is not None and signal.selector in self.by_name:
            if signal.selector in conditions:
                return None
            conditions[signal.selector] = signal.selected_by
            signal = self.by_name[signal.selector]
        return conditions

    def _overlaps(self) -> Iterator[Fault]:
        signals = self.message.signals
        masks = [_bits(signal) for signal in signals]
        conditions = [self._conditions(signal) or {} for signal in signals]
        for first, second in combinations(range(len(signals)), 2):
            if masks[first] & masks[second] and _together(conditions[first], conditions[second]):
                name, where = signals[first].name, self._at(first)
                yield self._fault(second, f"overlaps with signal {name}{where}; correct one of the two")

    def _fault(self, index: int, text: str) -> Fault:
        line = self.place.signals[index].line if self.place else 0
        return Fault(
            self.path,
            line,
            0,
            f"message {self.message.name}: signal {self.message.signals[index].name} {text}.",
        )

    def _at(self, index: int) -> str:
        return f" (line {self.place.signals[index].line})" if self.place else ""


def first_bit(signal: DescribedSignal) -> int:
    """Return the position of the first bit of `signal`, counted along the payload in its own byte order.

    Little-endian: from the least significant bit of byte 0 upwards. Big-endian: from the most significant
    bit of byte 0 downwards.
    """
    if signal.big_endian:
        return signal.start_bit // 8 * 8 + 7 - signal.start_bit % 8
    return signal.start_bit


def bytes_needed(signal: DescribedSignal) -> int:
    """Return the length of the shortest payload that holds `signal`."""
    return (first_bit(signal) + signal.bits + 7) // 8


def _bits(signal: DescribedSignal) -> int:
    """Return the bits of `signal` as a mask, bit k of the payload at bit k."""
    if signal.bits < 1 or signal.start_bit < 0:
        return 0
    if not signal.big_endian:
        return ((1 << signal.bits) - 1) << signal.start_bit
    # Bit k of the frame for position p along the payload: the same byte, counted from its other end.
    first = first_bit(signal)
    return sum(1 << (p // 8 * 8 + 7 - p % 8) for p in range(first, first + signal.bits))


def _together(one: dict[str, Ranges], other: dict[str, Ranges]) -> bool:
    """Return whether a frame can fulfil both conditions."""
    return not any(disjoint(one[selector], other[selector]) for selector in one.keys() & other.keys())


def disjoint(one: Ranges, other: Ranges) -> bool:
    """Return whether two sets of inclusive ranges have no number in common."""
    return all(high < low_2 or high_2 < low for low, high in one for low_2, high_2 in other)
