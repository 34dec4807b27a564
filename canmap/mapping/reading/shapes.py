"""The readers that the grammar is put together from: texts, numbers, quantities, lists, names.

Each takes a node and the `Context` and returns the value, or None after it has noted what is wrong.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Generic, TypeVar

from canmap.base.dataclass import dataclass
from canmap.base.words import listed, seconds, times
from canmap.mapping.reading.marks import Items, Node, Scalar, joined
from canmap.mapping.reading.mistakes import shown
from canmap.mapping.reading.sections import MESSAGE, WHOLE, Context, Reader, mapping, scalar
from canmap.mapping.reading.unit_names import unit_ending
from canmap.vocabulary.record_types import FieldType, field_types
from canmap.vocabulary.units import (
    UNITS,
    Measure,
    NoQuantity,
    Unit,
    find_unit,
    number_advice,
    parse_number,
    parse_quantity,
    si_name,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.mapping.reading.mistakes import Position
    from canmap.mapping.reading.names import FoundMessage, FoundSignal
    from canmap.vocabulary.units import Dimension

T = TypeVar("T")
V = TypeVar("V")

USUAL = {"s": "ms", "rad": "deg", "rad/s": "deg/s", "m/s": "km/h", "Pa": "bar"}  # in a manual
NONE = "none"  # how a spec says "no limit", "never"
_LONGEST_TIME = Fraction(7 * 86400)  # s; longer is a slip of the unit
_INTEGER = re.compile(r"[+-]?(?:0[xX][0-9a-fA-F]{1,16}|0|[1-9]\d{0,19})", re.ASCII)
_YES_NO = {"yes": True, "true": True, "no": False, "false": False}


def text(node: Node, context: Context) -> str | None:
    """Read a text, not empty."""
    found = placed_text(node, context)
    return found.text if found else None


def placed_text(node: Node, context: Context) -> Scalar | None:
    """Read a text, not empty, and keep its place for what can be checked only later."""
    found = scalar(node, context, "a text")
    if found is not None and not found.text.strip():
        context.faults.add(found.place, "The text is empty.")
        return None
    return found


def yes_no(node: Node, context: Context) -> bool | None:
    """Read `yes` or `no` (or `true`, `false`)."""
    found = scalar(node, context, "yes or no")
    if found is None:
        return None
    if found.text not in _YES_NO:
        context.faults.add(found.place, f"{shown(found.text)} is neither yes nor no.")
    return _YES_NO.get(found.text)


def as_integer(text: str) -> int | None:
    """Return a whole number, decimal or ``0x``; None for anything else, ``010`` too, which reads two ways."""
    return int(text, 0) if _INTEGER.fullmatch(text) else None


def _tell_number(found: Scalar, what: str, context: Context) -> None:
    advice = number_advice(found.text)
    stated = f"{shown(found.text)}: {advice}" if advice else f"{shown(found.text)} {what}"
    context.faults.add(found.place, f"{stated}.")


def integer(low: int, high: int) -> Reader[int]:
    """Make the reader of a whole number from `low` to `high`."""

    def read(node: Node, context: Context) -> int | None:
        found = scalar(node, context, "a whole number")
        if found is None:
            return None
        value = as_integer(found.text)
        if value is None:
            _tell_number(found, "is not a whole number such as 12 or 0x0C", context)
        elif not low <= value <= high:
            context.faults.add(found.place, f"{shown(found.text)} is not between {low} and {high}.")
            return None
        return value

    return read


def number(node: Node, context: Context) -> Fraction | None:
    """Read a number without a unit, exactly: 0.5, 1e-3, 1/15.4."""
    found = scalar(node, context, "a number")
    if found is None:
        return None
    value = parse_number(found.text)
    if value is None:
        _tell_number(found, "is not a number such as 0.5 or 1/15.4", context)
    return value


def any_quantity(node: Node, context: Context, wanted: Dimension | None = None) -> Measure | None:
    """Read a quantity of any unit; where one is not known, a unit of the `wanted` dimension is proposed."""
    found = scalar(node, context, "a quantity such as 10 ms")
    if found is None:
        return None
    value = parse_quantity(found.text)
    if isinstance(value, NoQuantity):
        hint = "." if value.unit is None else unit_ending(value.unit, wanted, context.faults)
        context.faults.add(found.place, f"{shown(found.text)}: {value}{hint}")
        return None
    return value


def difference(node: Node, context: Context) -> Measure | None:
    """Read how far apart two values are: a quantity greater than zero, of temperatures in K."""
    value = any_quantity(node, context)
    if value is None:
        return None
    if value.unit.offset:
        context.faults.add(node.place, "A difference of temperatures is written in K.")
        return None
    if value.si <= 0:
        context.faults.add(node.place, "The value must be greater than zero.")
        return None
    return value


def unit(node: Node, context: Context) -> Unit | None:
    """Read a unit."""
    found = scalar(node, context, "a unit")
    if found is None:
        return None
    value = find_unit(found.text)
    if value is None:
        context.faults.add(
            found.place,
            f"The unit {shown(found.text)} is not known{unit_ending(found.text, None, context.faults)}",
        )
    return value


def quantity(unit: str, positive: bool = False) -> Reader[Measure]:
    """Make the reader of a quantity that `unit` can be converted to."""
    dimension = UNITS[unit].dimension

    def read(node: Node, context: Context) -> Measure | None:
        value = any_quantity(node, context, dimension)
        if value is None or not fits(value, dimension, node.place, context):
            return None
        if positive and value.si <= 0:
            context.faults.add(node.place, "The value must be greater than zero.")
            return None
        return value

    return read


def fits(value: Measure, dimension: tuple[int, ...], place: Position, context: Context) -> bool:
    """Tell whether a quantity has that dimension; note a fault where it has not."""
    if value.unit.dimension == dimension:
        return True
    wanted = si_name(dimension) if any(dimension) else "a plain number or a share in %"
    wanted = "%/s or Hz" if dimension == UNITS["Hz"].dimension else wanted
    if value.unit.name == "1":
        usual = f", such as {USUAL[wanted]}" if wanted in USUAL else ""
        context.faults.add(place, f"The number has no unit: write one that converts to {wanted}{usual}.")
    else:
        text = f"The unit {shown(value.unit.name)} does not convert to {wanted}"
        is_rate_for_time = dimension == UNITS["s"].dimension and value.unit.dimension == UNITS["Hz"].dimension
        if is_rate_for_time and value.si > 0:
            text += f": its period is {seconds(float(10**9 / value.si))}"
        context.faults.add(place, f"{text}.")
    return False


def time_ns(node: Node, context: Context) -> int | None:
    """Read a time greater than zero, in nanoseconds."""
    value = quantity("s", positive=True)(node, context)
    if value is None:
        return None
    if value.si > _LONGEST_TIME or value.si * 10**9 < 1:
        context.faults.add(node.place, "The time is not between 1 ns and a week.")
        return None
    return round(value.si * 10**9)


def word(what: str, words: Iterable[str]) -> Reader[str]:
    """Make the reader of one word out of a few."""
    known = tuple(words)

    def read(node: Node, context: Context) -> str | None:
        found = scalar(node, context, f"{what}, {listed(known)}")
        if found is None:
            return None
        if found.text not in known:
            hint = context.faults.hint(found.text, known)
            context.faults.add(found.place, f"{shown(found.text)} is not {what}{hint}")
            return None
        return found.text

    return read


def or_none(read: Reader[T]) -> Reader[T | str]:
    """Make a reader that also accepts the word `none`, which it returns as `NONE`."""

    def read_or_none(node: Node, context: Context) -> T | str | None:
        if isinstance(node, Scalar) and node.text == NONE:
            return NONE
        return read(node, context)

    return read_or_none


def list_of(read: Reader[T], what: str, least: int = 1, most: int = 1000) -> Reader[tuple[T, ...]]:
    """Make the reader of a list; None where one item is faulty."""

    def read_list(node: Node, context: Context) -> tuple[T, ...] | None:
        if not isinstance(node, Items):
            one = node.text if isinstance(node, Scalar) and least <= 1 else ""
            written = shown(f"[{one}]") if one else "[..., ...]"
            context.faults.add(node.place, f"This must be a list of {what}: write {written}.")
            return None
        items = node.items
        if not least <= len(items) <= most and least <= len(joined(items)) <= most:
            items = joined(items)  # whose commas are then reported
        if not least <= len(items) <= most:
            wanted = (
                f"{least}"
                if least == most
                else f"at least {least}"
                if len(node.items) < least
                else f"at most {most}"
            )
            held = times(len(node.items), "item")
            context.faults.add(node.place, f"The list has {held}, not {wanted} {what}.")
            return None
        values = [read(item, context) for item in items]
        good = [value for value in values if value is not None]
        return tuple(good) if len(good) == len(values) else None

    return read_list


def one_or_list(read: Reader[T], what: str) -> Reader[tuple[T, ...]]:
    """Make the reader of one value or a list of them."""
    read_list = list_of(read, what)

    def read_either(node: Node, context: Context) -> tuple[T, ...] | None:
        if isinstance(node, Items):
            return read_list(node, context)
        value = read(node, context)
        return None if value is None else (value,)

    return read_either


@dataclass(frozen=True)
class Entry(Generic[T, V]):
    """A key of the user's own and its value."""

    place: Position
    key: T
    value: V


class Seen:
    """The names that stood in a mapping: what two spellings name may stand there once."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._first: dict[object, Scalar] = {}

    def first(self, name: Scalar, identity: object) -> bool:
        """Tell whether what `name` names stands here for the first time; else note a fault."""
        first = self._first.setdefault(identity, name)
        if first is name:
            return True
        where = self._context.line(first.place)
        text = f"{shown(name.text)} is given twice: it is {shown(first.text)} on {where}."
        self._context.faults.add(name.place, text)
        return False


def each(
    what: str,
    read_key: Reader[T],
    read: Callable[[T, Node, Context], V | None],
    below: Callable[[Node, Context], object] | None = None,
) -> Reader[tuple[Entry[T, V], ...]]:
    """Make the reader of a mapping with keys of the user's own; faulty entries are left out.

    Args:
        what: For sentences, with its article.
        read_key: Reader of a key; what it finds may stand there once, however it is written.
        read: Reader of a value, given its key.
        below: Reader of the value of a key that is not known, for the mistakes in it.
    """

    def read_each(node: Node, context: Context) -> tuple[Entry[T, V], ...] | None:
        entries = mapping(node, context, what)
        if entries is None:
            return None
        seen = Seen(context)
        found = []
        for key_scalar, value_node in entries.pairs.values():
            key = read_key(key_scalar, context)
            if key is None:
                if below is not None:
                    below(value_node, replace(context, lost=context.lost | {MESSAGE}))
                continue
            value = read(key, value_node, context)
            first = seen.first(key_scalar, getattr(key, "identity", key_scalar.text))
            if value is not None and first:
                found.append(Entry(key_scalar.place, key, value))
        return tuple(found)

    return read_each


def named(what: str, read: Reader[V]) -> Reader[tuple[Entry[str, V], ...]]:
    """Make the reader of a mapping from names of the user's own to values; notes carry the name."""

    def read_value(name: str, node: Node, context: Context) -> V | None:
        return read(node, replace(context, subject=name))

    return each(what, text, read_value)


def message(node: Node, context: Context) -> FoundMessage | None:
    """Read ``Message`` or ``bus.Message``."""
    found = scalar(node, context, "the name of a message")
    return context.names.message(found, context.faults) if found else None


def signal(node: Node, context: Context) -> FoundSignal | None:
    """Read ``Message.Signal``, or the bare name of a signal of the context's message."""
    found = scalar(node, context, "the name of a signal")
    if found is None or (MESSAGE in context.lost and "." not in found.text):
        return None
    return context.names.signal(found, context.faults, context.message)


def about_message(read: Reader[V]) -> Reader[tuple[Entry[FoundMessage, V], ...]]:
    """Make the reader of a mapping from messages to values; a message may stand there once."""

    def read_value(found: FoundMessage, node: Node, context: Context) -> V | None:
        return read(node, replace(context, message=found, subject=found.message.name))

    return each("the list of messages", message, read_value, below=read)


def as_it_is(node: Node, _context: Context) -> Node:
    """Hand the node on, for what can be read only with the help of another key."""
    return node


def record_field(node: Node, context: Context) -> tuple[str, FieldType] | None:
    """Read ``record.field`` of the spec's own records."""
    found = scalar(node, context, "the name of a record's field")
    if found is None:
        return None
    name, _, item = found.text.partition(".")
    if name not in context.records:
        hint = context.faults.hint(name, context.records)
        if WHOLE not in context.lost:
            context.faults.add(found.place, f"The spec has no record {shown(name)}{hint}")
        return None
    record = context.records[name]
    if record is None:
        return None
    types = field_types(record)
    if item not in types:
        context.faults.add(
            found.place, f"The record {name} has no field {shown(item)}{context.faults.hint(item, types)}"
        )
        return None
    mapped = context.mapped.get(name, types)
    if item not in mapped:
        text = f"The record {name} does not map its field {item}"
        context.faults.add(found.place, f"{text}; it maps {listed(mapped or ['none'], 'and')}.")
        return None
    return name, types[item]
