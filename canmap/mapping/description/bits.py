"""0. Whether a bus description makes sense: what clashes in it, and what lies where no bit is.

In come the messages of a description. Out they go without the signals of which it says what cannot be:
those are doubtful, not read, and the spec may correct them. Two signals may share bits where no selector
value lets both be present.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product
from typing import TYPE_CHECKING

from canmap.mapping.description.description import DoubtfulSignal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal

LONGEST_SIGNAL = 64
LARGEST_NUMBER = 10**100  # whatever is worked out from smaller ones fits a floating-point number
_MOST_NAMED = 3  # signals in one sentence
_FLOAT_LENGTHS = (16, 32, 64)
_PLACE = ("start_bit", "bits")
_ARTICLES = {"factor": "a factor", "offset": "an offset"}

Ranges = tuple[tuple[int, int], ...]
_Doubt = tuple[str, tuple[str, ...]]  # what is wrong, and the keys of the correction that puts it right


def settled(message: DescribedMessage) -> DescribedMessage:
    """Return `message` with its signals parted anew into those that are read and those that are doubtful.

    A signal is doubtful that does not fit into the message or is of a length that is not read, that is
    selected by what cannot select, that shares bits with another one, or that is selected by one that is
    doubtful.
    """
    signals = message.all_signals
    by_name = {signal.name: signal for signal in signals}
    doubts = {
        signal.name: DoubtfulSignal(signal, *doubt)
        for signal in signals
        if (doubt := _shape(signal, message.length) or _selection(signal, by_name))
    }
    sharing = _sharing([signal for signal in signals if signal.name not in doubts], message)
    for name, others in sharing.items():
        more = " and more" if len(others) > _MOST_NAMED else ""
        why = f"shares bits with {', '.join(others[:_MOST_NAMED])}{more}"
        doubts[name] = DoubtfulSignal(by_name[name], why, _PLACE)
    selected = [signal for signal in signals if signal.selector is not None]
    while led := [one for one in selected if one.name not in doubts and one.selector in doubts]:
        for one in led:
            doubts[one.name] = _led(one, doubts[one.selector or ""])
    if not doubts and not message.doubtful:
        return message
    return replace(
        message,
        signals=tuple(signal for signal in signals if signal.name not in doubts),
        doubtful=tuple(doubts[signal.name] for signal in signals if signal.name in doubts),
    )


def _led(signal: DescribedSignal, selector: DoubtfulSignal) -> DoubtfulSignal:
    """Return the doubt about a signal that a doubtful one selects: to put that right is enough."""
    root = selector.root or selector.signal.name
    return DoubtfulSignal(
        signal, f"is selected by {signal.selector}, which is not read", selector.keys, root=root
    )


def _shape(signal: DescribedSignal, length: int) -> _Doubt | None:
    """Say what is wrong with place and length of `signal` in a message of `length` bytes."""
    if signal.bits < 1:
        return f"is {signal.bits} bits long", _PLACE
    if signal.bits > LONGEST_SIGNAL:
        return f"is {signal.bits} bits long, and the longest that is read is {LONGEST_SIGNAL}", _PLACE
    if signal.is_float and signal.bits not in _FLOAT_LENGTHS:
        return f"is a floating-point number of {signal.bits} bits, but must have 16, 32 or 64", _PLACE
    numbers = {"factor": signal.factor, "offset": signal.offset}
    if wrong := tuple(key for key, number in numbers.items() if abs(number) > LARGEST_NUMBER):
        what = " and ".join(_ARTICLES[key] for key in wrong)
        return f"has {what} that is impossible", wrong
    if signal.start_bit < 0 or bytes_needed(signal) > length:
        return f"does not fit, as it needs {bytes_needed(signal)} bytes and the message has {length}", _PLACE
    return None


def _selection(signal: DescribedSignal, by_name: Mapping[str, DescribedSignal]) -> _Doubt | None:
    """Say what is wrong with the multiplexing of `signal`."""
    keys: tuple[str, ...] = ("selector",)
    if signal.selector is None:
        if signal.selected_by:
            why = f"is marked m{signal.selected_by[0][0]}, but nothing says which signal selects it"
            return why, keys
        return None
    selector = by_name.get(signal.selector)
    wrong = ""
    if selector is None:
        wrong = "which the message does not have"
    elif selector.is_float:
        wrong = "which is a floating-point number"
    elif not signal.selected_by:
        wrong, keys = "but by no value of it", ()  # the spec cannot say which
    elif _conditions(signal, by_name) is None:
        wrong = "which it selects itself, in a circle"
    return (f"is selected by {signal.selector}, {wrong}", keys) if wrong else None


def _sharing(signals: Sequence[DescribedSignal], message: DescribedMessage) -> dict[str, list[str]]:
    """Return for each signal that shares bits with others the names of some of those."""
    by_name = {signal.name: signal for signal in message.all_signals}
    masks = {signal.name: _bits(signal) for signal in signals}
    conditions = {signal.name: _conditions(signal, by_name) or {} for signal in signals}
    sharing: dict[str, list[str]] = {}
    enough: set[str] = set()
    for one, other in _pairs(signals):
        if one in enough and other in enough:
            continue
        if masks[one] & masks[other] and _together(conditions[one], conditions[other]):
            for name, with_name in ((one, other), (other, one)):
                named = sharing.setdefault(name, [])
                named.append(with_name)
                if len(named) > _MOST_NAMED:
                    enough.add(name)
    return sharing


def _pairs(signals: Sequence[DescribedSignal]) -> Iterator[tuple[str, str]]:
    """Yield the names of all pairs of signals but those that different values of one selector select.

    There are few of these pairs even where a message has a thousand multiplexed signals.
    """
    by_selector: dict[str | None, list[DescribedSignal]] = {}
    for signal in signals:
        by_selector.setdefault(signal.selector, []).append(signal)
    for alike in by_selector.values():
        present: list[tuple[int, str]] = []  # up to which value, and name
        for low, high, name in sorted(_span(signal) for signal in alike):
            present = [one for one in present if one[0] >= low]
            yield from ((other, name) for _, other in present)
            present.append((high, name))
    for some, others in combinations(by_selector.values(), 2):
        yield from ((one.name, other.name) for one, other in product(some, others))


def _span(signal: DescribedSignal) -> tuple[int, int, str]:
    """Return the lowest and the highest value of its selector for which a signal is there, and its name."""
    ranges = signal.selected_by if signal.selector is not None else ((0, 0),)
    return min(low for low, _ in ranges), max(high for _, high in ranges), signal.name


def _conditions(signal: DescribedSignal, by_name: Mapping[str, DescribedSignal]) -> dict[str, Ranges] | None:
    """Return selector to ranges in which `signal` is present; None for a circle."""
    conditions: dict[str, Ranges] = {}
    while signal.selector is not None and signal.selector in by_name:
        if signal.selector in conditions:
            return None
        conditions[signal.selector] = signal.selected_by
        signal = by_name[signal.selector]
    return conditions


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
