"""Corrections: where the maker's description is wrong, the spec says so, each with its reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from canmap.errors import readable
from canmap.spec import grammar as g
from canmap.spec.codes import raw_codes
from canmap.spec.faults import listed, shown
from canmap.spec.layout import settled
from canmap.spec.marks import Scalar
from canmap.spec.model import Note
from canmap.spec.names import FoundMessage
from canmap.spec.sections import mapping

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.spec.description import DescribedMessage, DescribedSignal, Description
    from canmap.spec.marks import Node
    from canmap.spec.names import FoundSignal
    from canmap.spec.sections import Context, Key, Values

T = TypeVar("T")

_MOST_DOUBTS = 3  # told of one message
_MOST_REPAIRS = 100  # told of one description


def corrected(
    node: Node | None, descriptions: Mapping[str, Description], context: Context
) -> dict[str, Description]:
    """Return the descriptions with the corrections of the spec applied.

    Args:
        node: The section ``correct``: ``Message.Signal`` or ``Message`` to what is right; None for none.
        descriptions: By bus.
        context: Takes faults; each correction becomes a note.
    """
    changed: dict[tuple[str, str], DescribedMessage] = {}
    entries = mapping(node, context, "the list of corrections") if node is not None else None
    for name, value in entries.pairs.values() if entries else ():
        done = _correct(name, value, changed, context)
        if done:
            changed[done.bus, done.message.name] = done.message
    return {
        bus: replace(
            description,
            messages=tuple(changed.get((bus, message.name), message) for message in description.messages),
        )
        for bus, description in descriptions.items()
    }


def tell_doubts(descriptions: Mapping[str, Description], context: Context) -> None:
    """Note what was mended in a description, and by message the signals that are not read, and why."""
    for bus, description in descriptions.items():
        file = Path(description.path).name
        for repair in description.repairs[:_MOST_REPAIRS]:
            context.notes.append(Note(readable(f"{file}:{repair.line}: {repair.text}"), bus))
        if (more := len(description.repairs) - _MOST_REPAIRS) > 0:
            context.notes.append(Note(f"{file}: {more:,} more repairs.", bus))
        for message in description.messages:
            doubts = [f"{one.signal.name} {one.why}" for one in message.doubtful[:_MOST_DOUBTS]]
            if not doubts:
                continue
            if more := len(message.doubtful) - len(doubts):
                doubts.append(f"and {more} more")
            text = readable(f"Of {message.name} in {file} is not read: {'; '.join(doubts)}.")
            context.notes.append(Note(text, bus, message.name))


def _correct(
    name: Scalar, node: Node, changed: Mapping[tuple[str, str], DescribedMessage], context: Context
) -> FoundMessage | None:
    """Return the corrected message; ``a.b`` is a message of a bus where there is a bus `a`, else a signal."""
    first, dot, _ = name.text.partition(".")
    if not dot or (name.text.count(".") == 1 and first in context.names.buses):
        found = context.names.message(name, context.faults)
        values = g.CORRECT_MESSAGE(node, context)
        if found is None or values is None:
            return None
        now = changed.get((found.bus, found.message.name), found.message)
        right = _message(now, values)
    else:
        signal = context.names.described_signal(name, context.faults)
        values = g.CORRECT_SIGNAL(node, context)
        if signal is None or values is None:
            return None
        now = changed.get((signal.bus, signal.message.name), signal.message)
        found = FoundMessage(signal.bus, now)
        better = _signal(signal, values, context)
        right = _with_signal(now, better)
    _tell(name, values, right != now, found, context)
    for changed_signal in right.all_signals:
        if changed_signal not in now.all_signals or right.length != now.length:
            _check_place(changed_signal, right, values, context)
    return FoundMessage(found.bus, right)


def _tell(name: Scalar, values: Values, changes: bool, found: FoundMessage, context: Context) -> None:
    keys = [key for key in values.nodes if key != g.REASON.name]
    what = f"{name.text} ({context.line(name.place)})"
    parts = listed(keys or ["nothing"], "and")
    text = f"The description of {what} is corrected in {parts}: {values.get(g.REASON)}."
    if not keys:
        context.faults.add(values.place, f"The correction of {name.text} corrects nothing.")
    elif not changes:
        text = f"The correction of {what} changes nothing: the description says the same."
    context.notes.append(Note(text, found.bus, found.message.name))


def _message(message: DescribedMessage, values: Values) -> DescribedMessage:
    right = replace(
        message,
        period_ns=_limit(values, g.CORRECT_PERIOD, message.period_ns),
        sender=_given(values, g.CORRECT_SENDER, message.sender),
        length=_given(values, g.CORRECT_LENGTH, message.length),
    )
    return settled(right)


def _with_signal(message: DescribedMessage, better: DescribedSignal) -> DescribedMessage:
    """Return `message` with one signal changed, which may put an end to a doubt about it or another one."""
    signals = (better if old.name == better.name else old for old in message.all_signals)
    return settled(replace(message, signals=tuple(signals), doubtful=()))


def _given(values: Values, key: Key[T], described: T) -> T:
    written = values.get(key)
    return described if written is None else written


def _limit(values: Values, key: Key[T | str], described: T | None) -> T | None:
    """Return what the spec writes, with None for its `none`."""
    written = values.get(key)
    return described if written is None else None if isinstance(written, str) else written


def _signal(found: FoundSignal, values: Values, context: Context) -> DescribedSignal:
    signal = found.signal
    if values.get(g.FACTOR) == 0:
        context.faults.add(values.place_of(g.FACTOR), "A factor is not zero.")
    order = values.get(g.BYTE_ORDER)
    right = replace(
        signal,
        start_bit=_given(values, g.START_BIT, signal.start_bit),
        bits=_given(values, g.BITS, signal.bits),
        big_endian=signal.big_endian if order is None else order == "big_endian",
        signed=_given(values, g.SIGNED, signal.signed),
        factor=_given(values, g.FACTOR, signal.factor) or signal.factor,
        offset=_given(values, g.OFFSET, signal.offset),
        minimum=_limit(values, g.MINIMUM, signal.minimum),
        maximum=_limit(values, g.MAXIMUM, signal.maximum),
        unit=_given(values, g.UNIT, signal.unit),
        selector=_selector(found, values, context),
    )
    labels = values.get(g.LABELS)
    if labels is None:
        return right
    return replace(right, labels=_labels(labels, replace(found, signal=right), context))


def _selector(found: FoundSignal, values: Values, context: Context) -> str | None:
    """Return the name of the signal that selects the one that is corrected."""
    written = values.get(g.SELECTOR)
    names = [signal.name for signal in found.message.all_signals if signal.name != found.signal.name]
    if written is not None and written not in names:
        text = (
            f"{found.message.name} has no other signal {shown(written)}{context.faults.hint(written, names)}"
        )
        context.faults.add(values.place_of(g.SELECTOR), text)
    elif written is not None and not found.signal.selected_by:
        text = f"The description does not say which values of a selector {found.text} is for."
        context.faults.add(values.place_of(g.SELECTOR), text)
    return _given(values, g.SELECTOR, found.signal.selector)


def _labels(node: Node, found: FoundSignal, context: Context) -> dict[int, str]:
    """Read {raw code: label}."""
    entries = mapping(node, context, "the list of labels")
    labels: dict[int, str] = {}
    plain = replace(found, signal=replace(found.signal, labels={}))
    for code, label in entries.pairs.values() if entries else ():
        for raw in raw_codes(code, plain, context) or ():
            if isinstance(label, Scalar) and label.text:
                labels[raw] = label.text
            else:
                context.faults.add(label.place, "Here belongs a label.")
    return labels


def _check_place(
    signal: DescribedSignal, message: DescribedMessage, values: Values, context: Context
) -> None:
    """See that the bits lie in the payload."""
    start = signal.start_bit
    if signal.big_endian:  # counted from the most significant bit of the first byte
        start = 8 * (start // 8) + 7 - start % 8
    if start + signal.bits > 8 * message.length:
        place = values.place_of(g.BITS if values.has(g.BITS) else g.START_BIT)
        text = f"{signal.name} then ends beyond the {message.length} bytes of {message.name}."
        context.faults.add(place, text)
    if signal.is_float and signal.bits not in {16, 32, 64}:
        context.faults.add(values.place_of(g.BITS), "A floating point number has 16, 32 or 64 bits.")
