"""Corrections: where the maker's description is wrong, the spec says so, each with its reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from canmap.base.dataclass import dataclass
from canmap.mapping.description.bits import bytes_needed, settled
from canmap.mapping.notes import Note, NoteReason
from canmap.mapping.reading import grammar as g
from canmap.mapping.reading.marks import Scalar
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.names import FoundMessage
from canmap.mapping.reading.raw_codes import raw_codes
from canmap.mapping.reading.sections import mapping
from canmap.mapping.reading.shapes import Seen

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal, Description
    from canmap.mapping.reading.marks import Node
    from canmap.mapping.reading.mistakes import Position
    from canmap.mapping.reading.names import FoundSignal
    from canmap.mapping.reading.sections import Context, Key, SectionValues

T = TypeVar("T")

_MOST_DOUBTS = 3  # reported of one message
_MOST_REPAIRS = 100  # reported of one description


@dataclass(frozen=True, slots=True)
class _Correction:
    """What the spec says of a message, or of one of its signals, which `signal` then is, put right."""

    bus: str
    message: str
    signal: DescribedSignal | None
    values: SectionValues

    @property
    def identity(self) -> tuple[str, ...]:
        return (self.bus, self.message, *((self.signal.name,) if self.signal else ()))


def corrected(
    node: Node | None, descriptions: Mapping[str, Description], context: Context
) -> dict[str, Description]:
    """Return the descriptions with the corrections of the spec applied.

    Args:
        node: The section ``correct``: ``Message.Signal`` or ``Message`` to what is right; None for none.
        descriptions: By bus.
        context: Takes faults; each correction becomes a note.
    """
    entries = mapping(node, context, "the list of corrections") if node is not None else None
    seen = Seen(context)
    read: dict[tuple[str, str], list[_Correction]] = {}  # by bus and message
    for name, value in entries.pairs.values() if entries else ():
        correction = _read(name, value, context)
        if correction and seen.first(name, correction.identity):
            read.setdefault((correction.bus, correction.message), []).append(correction)
    right = {
        bus: replace(
            description,
            messages=tuple(
                _message(message, read.get((bus, message.name), ())) for message in description.messages
            ),
        )
        for bus, description in descriptions.items()
    }
    for bus, description in right.items():
        for message in description.messages:
            _check_places(message, read.get((bus, message.name), ()), context)
    return right


def tell_doubts(descriptions: Mapping[str, Description], context: Context) -> None:
    """Note what was mended in a description, and by message the signals that are not read, and why."""
    for bus, description in descriptions.items():
        file = Path(description.path).name
        for repair in description.repairs[:_MOST_REPAIRS]:
            context.notes.append(
                Note(reason=NoteReason.REPAIRED, bus=bus, file=file, line=repair.line, detail=repair.text)
            )
        if (more := len(description.repairs) - _MOST_REPAIRS) > 0:
            context.notes.append(Note(reason=NoteReason.MORE_REPAIRS, bus=bus, file=file, count=more))
        for message in description.messages:
            doubts = [f"{one.signal.name} {one.why}" for one in message.doubtful[:_MOST_DOUBTS]]
            if not doubts:
                continue
            if more := len(message.doubtful) - len(doubts):
                doubts.append(f"and {more} more")
            context.notes.append(
                Note(
                    reason=NoteReason.NOT_READ,
                    bus=bus,
                    message=message.name,
                    subject=message.name,
                    file=file,
                    detail="; ".join(doubts),
                )
            )


def _read(name: Scalar, node: Node, context: Context) -> _Correction | None:
    """Read one correction; ``a.b`` is a message of a bus where there is a bus `a`, else a signal."""
    first, dot, _ = name.text.partition(".")
    if dot and not context.names.buses:  # `a` may be the bus that is not known
        return None
    if not dot or (name.text.count(".") == 1 and first in context.names.buses):
        found = context.names.message(name, context.faults)
        values = g.CORRECT_MESSAGE(node, context)
        if found is None or values is None:
            return None
        now = found.message
        _tell(name, values, _with_values(now, values) != now, found, context)
        return _Correction(found.bus, now.name, None, values)
    signal = context.names.described_signal(name, context.faults)
    values = g.CORRECT_SIGNAL(node, context)
    if signal is None or values is None:
        return None
    better = _signal(signal, values, context)
    _tell(name, values, better != signal.signal, FoundMessage(signal.bus, signal.message), context)
    return _Correction(signal.bus, signal.message.name, better, values)


def _tell(name: Scalar, values: SectionValues, changes: bool, found: FoundMessage, context: Context) -> None:
    keys = [key for key in values.nodes if key != g.REASON.name]
    in_vain = not changes and bool(keys or values.lost)
    if not keys and not values.lost:
        context.faults.add(values.place, f"The correction of {name.text} is empty.")
    context.notes.append(
        Note(
            reason=NoteReason.CORRECTED_IN_VAIN if in_vain else NoteReason.CORRECTED,
            bus=found.bus,
            message=found.message.name,
            subject=name.text,
            keys=tuple(keys),
            detail=str(values.get(g.REASON)),
            line=name.place.line,
            file=context.fragment(name.place),
        )
    )


def _message(message: DescribedMessage, stated: Sequence[_Correction]) -> DescribedMessage:
    """Return a message with all that is stated of it and its signals, whatever stands first in the spec."""
    if not stated:
        return message
    right = message
    better = {}
    for one in stated:
        if one.signal is None:
            right = _with_values(right, one.values)
        else:
            better[one.signal.name] = one.signal
    signals = tuple(better.get(old.name, old) for old in message.all_signals)
    return settled(replace(right, signals=signals, doubtful=()))


def _with_values(message: DescribedMessage, values: SectionValues) -> DescribedMessage:
    return replace(
        message,
        period_ns=_limit(values, g.CORRECT_PERIOD, message.period_ns),
        sender=_given(values, g.CORRECT_SENDER, message.sender),
        length=_given(values, g.CORRECT_LENGTH, message.length),
    )


def _given(values: SectionValues, key: Key[T], described: T) -> T:
    written = values.get(key)
    return described if written is None else written


def _limit(values: SectionValues, key: Key[T | str], described: T | None) -> T | None:
    """Return what the spec writes, with None for its `none`."""
    written = values.get(key)
    return described if written is None else None if isinstance(written, str) else written


def _signal(found: FoundSignal, values: SectionValues, context: Context) -> DescribedSignal:
    signal = found.signal
    if values.get(g.FACTOR) == 0:
        context.faults.add(values.place_of(g.FACTOR), "A factor must not be zero.")
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


def _selector(found: FoundSignal, values: SectionValues, context: Context) -> str | None:
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
            if not (isinstance(label, Scalar) and label.text):
                context.faults.add(label.place, "This must be a label.")
            elif raw in labels:
                context.faults.add(code.place, f"The raw code {raw} of {found.text} is given twice.")
            else:
                labels[raw] = label.text
    return labels


def _check_places(message: DescribedMessage, stated: Sequence[_Correction], context: Context) -> None:
    """See that what is corrected lies in the payload, which is that of the corrected message."""
    placed = {one.signal.name for one in stated if one.signal}
    for one in stated:
        values = one.values
        if one.signal is not None:
            keys = (key for key in (g.BITS, g.START_BIT, g.BYTE_ORDER) if values.has(key))
            place = values.place_of(next(keys, g.START_BIT))
            _check_place(one.signal, message, place, context)
        elif values.get(g.CORRECT_LENGTH) is not None:
            for signal in message.all_signals:
                if signal.name not in placed:
                    _check_place(signal, message, values.place_of(g.CORRECT_LENGTH), context)


def _check_place(
    signal: DescribedSignal, message: DescribedMessage, place: Position, context: Context
) -> None:
    if bytes_needed(signal) > message.length:
        text = f"{signal.name} then ends beyond the {message.length} bytes of {message.name}."
        context.faults.add(place, text)
    if signal.is_float and signal.bits not in {16, 32, 64}:
        context.faults.add(place, "A floating point number has 16, 32 or 64 bits.")
