"""Messages as bytes: CDR as ROS 2 sends it, many messages at once from columns.

Source: OMG DDSI-RTPS and DDS-XTYPES, plain CDR (XCDR1), little endian. Four bytes name the encoding. A number
stands at a multiple of its size, counted from the end of these four. A string is its length with the NUL at
its end, its bytes in UTF-8 and the NUL; a sequence is its length and its items.

Strings and lengths are the same in all messages of a call, so what differs stands at the same place in each:
one message is laid out, repeated, and the columns are written over it through strided views.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from operator import index
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.base.errors import ArgumentError
from canmap.topics.definitions import BASIC, type_of
from canmap.topics.topic_messages import Payloads

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.topics.definitions import MessageField, MessageType

ENCAPSULATION = b"\x00\x01\x00\x00"  # plain CDR, little endian, no options
_SIGNED = {f"int{8 * size}": np.dtype(f"<i{size}") for size in (1, 2, 4, 8)}
_UNSIGNED = {f"uint{8 * size}": np.dtype(f"<u{size}") for size in (1, 2, 4, 8)} | {"byte": np.dtype("u1")}
_FLOATS = {f"float{8 * size}": np.dtype(f"<f{size}") for size in (4, 8)}
_NUMBERS: dict[str, np.dtype[Any]] = _SIGNED | _UNSIGNED | _FLOATS | {"bool": np.dtype("?")}
_TAKEN = {"b": "b", "i": "biu", "u": "biu", "f": "biuf"}  # kinds of NumPy numbers that go into each kind
_LENGTH = np.dtype("<u4")  # of a string and of a sequence
_TILE_BYTES = 1 << 18  # so that messages stay in the cache until all columns are written


def serialised(
    kind: MessageType, known: Mapping[str, MessageType], columns: Mapping[str, object], count: int
) -> Payloads:
    """Return the bytes of `count` messages of one type.

    Args:
        kind: Their type.
        known: Message types by full name, all that `kind` is made of among them.
        columns: What the fields hold, by name or dotted path ("pose.pose.position.x"). What is not given is
            zero, false or empty, default values of a definition included.

            - a number: an array [count], or one for all messages;
            - a fixed array or a sequence of numbers: an array [count, k], or k numbers for all;
            - a string: a `str` for all. What no string can hold (NUL, half a surrogate pair) becomes "?";
            - an array or a sequence of strings: a list of `str` for all;
            - a message: a mapping like `columns`, or dotted paths;
            - an array or a sequence of messages: a list of such mappings, as many in every message.

            Integers go into fields of integers and floats, booleans into fields of any kind of number, floats
            into those of floats only. What a float32 cannot hold becomes infinite there.
        count: How many messages.

    Raises:
        ArgumentError: A field that there is not, a value of another kind, shape or range; it names the field.
        UsageError: A type that is not known.
    """
    row = _Row(known, count)
    row.message(kind, columns, "")
    size = len(row.body)
    data = np.empty(count * size, np.uint8)
    if count:
        _write(row, data.reshape(count, size))
    return Payloads(data, np.arange(count + 1, dtype=np.int64) * size)


def _write(row: _Row, messages: NDArray[np.uint8]) -> None:
    """Write the bytes of the messages, uint8[count, size], tile by tile."""
    count, size = messages.shape
    template = np.frombuffer(row.body, np.uint8)
    views = [(column.view(messages), column.values) for column in row.columns]
    step = max(_TILE_BYTES // size, 1)
    with np.errstate(over="ignore"):
        for first in range(0, count, step):
            tile = slice(first, first + step)
            messages[tile] = template
            for view, values in views:
                view[tile] = values[tile]


def serialised_one(
    kind: MessageType, known: Mapping[str, MessageType], values: Mapping[str, object]
) -> bytes:
    """Return the bytes of one message, of any shape.

    Arguments and errors as `serialised`, with no columns among the values.
    """
    row = _Row(known, None)
    row.message(kind, values, "")
    return bytes(row.body)


@dataclass(frozen=True, slots=True)
class _Written:
    """Numbers that differ from message to message.

    Attributes:
        offset: Where they stand in each.
        dtype: As what.
        values: [count] or [count, k], of a kind that `dtype` takes.
    """

    offset: int
    dtype: np.dtype[Any]
    values: NDArray[Any]

    def view(self, messages: NDArray[np.uint8]) -> NDArray[Any]:
        """Return where they stand in the messages, uint8[count, size], as an array of their own shape."""
        strides = (messages.strides[0], self.dtype.itemsize)[: self.values.ndim]
        return np.ndarray(self.values.shape, self.dtype, messages, self.offset, strides)


@dataclass(slots=True)
class _Row:
    """One message, as it is laid out: every method puts a value behind what is there.

    Attributes:
        known: Message types by full name.
        count: How many messages there are, None where nothing differs.
        body: Its bytes, zero where a column will stand.
        columns: What will be written there.
    """

    known: Mapping[str, MessageType]
    count: int | None
    body: bytearray = field(default_factory=lambda: bytearray(ENCAPSULATION))
    columns: list[_Written] = field(default_factory=list)

    def message(self, kind: MessageType, values: object, path: str) -> None:
        given = _by_field(values, path)
        for member in kind.fields:
            value = given.pop(member.name) if member.name in given else _empty(member)
            self.member(member, value, _inside(path, member.name))
        if given:
            raise _refusal(_inside(path, min(given)), f"{kind.name} has no such field")

    def member(self, member: MessageField, value: object, path: str) -> None:
        if member.type in _NUMBERS:
            self.numbers(member, value, path)
        elif member.count is None:
            self.item(member.type, value, path)
        elif isinstance(value, Sequence) and not isinstance(value, str):
            self.length(member, len(value), path)
            for number, item in enumerate(value):
                self.item(member.type, item, f"{path}[{number}]")
        else:
            raise _refusal(path, f"give a list, each item of the type {member.type}")

    def item(self, type_name: str, value: object, path: str) -> None:
        if type_name not in BASIC:
            self.message(type_of(type_name, self.known), value, path)
        elif isinstance(value, str):
            text = value.replace("\0", "?").encode("utf-8", "replace") + b"\0"
            self.align(_LENGTH.itemsize)
            self.body += len(text).to_bytes(_LENGTH.itemsize, "little") + text
        else:
            raise _refusal(path, "give a text")

    def numbers(self, member: MessageField, value: object, path: str) -> None:
        dtype = _NUMBERS[member.type]
        array = _checked(value, member.type, path)
        inner = 0 if member.count is None else 1  # dimensions in one message
        differs = array is value and array.ndim == inner + 1 and self.count is not None
        if not differs and array.ndim != inner:
            raise _refusal(path, f"an array of the shape {array.shape} does not fit")
        if differs and len(array) != self.count:
            raise _refusal(path, f"give a value for each of the {self.count} messages, not {len(array)}")
        count = array.shape[-1] if inner else 1
        if inner:
            self.length(member, count, path)
        if not count:
            return
        self.align(dtype.itemsize)
        if differs:
            self.columns.append(_Written(len(self.body), dtype, array))
            self.body += bytes(count * dtype.itemsize)
        else:
            with np.errstate(over="ignore"):
                self.body += array.astype(dtype).tobytes()

    def length(self, member: MessageField, count: int, path: str) -> None:
        """Put the length of a sequence, or see that an array has its length."""
        if member.count == 0:
            self.align(_LENGTH.itemsize)
            self.body += count.to_bytes(_LENGTH.itemsize, "little")
        elif count != member.count:
            raise _refusal(path, f"give {member.count} values, not {count}")

    def align(self, size: int) -> None:
        self.body += bytes((len(ENCAPSULATION) - len(self.body)) % size)


def _by_field(values: object, path: str) -> dict[str, object]:
    """Return what is given of each field of a message: dotted paths into it become mappings."""
    if not isinstance(values, Mapping):
        raise _refusal(path, "give what the fields of this message hold, by name")
    found: dict[str, object] = {}
    for name, value in values.items():
        head, _, rest = name.partition(".")
        given = {rest: value} if rest else value
        if head not in found:
            found[head] = given
            continue
        before = found[head]
        if not isinstance(before, Mapping) or not isinstance(given, Mapping) or before.keys() & given.keys():
            raise _refusal(_inside(path, head), "it is given twice; give it once")
        found[head] = {**before, **given}
    return found


def _empty(member: MessageField) -> object:
    """Return what a field holds that is not given."""
    one: object = {"string": "", "bool": False}.get(member.type, 0) if member.type in BASIC else {}
    return one if member.count is None else (one,) * member.count


def _checked(value: object, type_name: str, path: str) -> NDArray[Any]:
    """Return numbers as an array whose values the type can take."""
    dtype = _NUMBERS[type_name]
    try:
        if dtype.kind in "iu" and not isinstance(value, np.ndarray | np.generic):
            return np.asarray(_whole(value), dtype)
        array = np.asarray(value)
    except (TypeError, ValueError):
        raise _refusal(path, f"this is no value of the type {type_name}") from None
    except OverflowError:
        raise _refusal(path, f"a value is out of the range of {type_name}") from None
    if isinstance(value, list | tuple) and not value:
        return array.astype(dtype)
    if array.dtype.kind not in _TAKEN[dtype.kind]:
        raise _refusal(path, f"values of the type {array.dtype} do not become {type_name}")
    if dtype.kind in "iu" and array.size and not np.can_cast(array.dtype, dtype):
        limits = np.iinfo(dtype)
        if int(array.min()) < limits.min or int(array.max()) > limits.max:
            raise _refusal(path, f"a value is out of the range of {type_name}")
    return array


def _whole(value: Any) -> object:
    return [index(item) for item in value] if isinstance(value, Sequence) else index(value)


def _inside(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _refusal(path: str, reason: str) -> ArgumentError:
    return ArgumentError(path or "message", reason)
