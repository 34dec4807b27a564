"""Frames, SocketCAN text: many lines of the same form to columns at once.

In: lines, and one that is known to be good and serves as the template. Out: the columns of those that have
its form. Nothing is decided here that `line` does not define: the template has passed it; every other
line must equal the template outside its digits, its channel and its payload; the digits are all checked;
and so is a channel name that is new.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import CLASSIC_WIDTH, FD_LENGTHS, FD_WIDTH
from canmap.frames.row import ERROR_BIT, EXTENDED_LIMIT, STANDARD_LIMIT
from canmap.frames.text.digits import WORD, Rows, decimal, gather, hexadecimal_bytes, hexadecimal_number
from canmap.frames.text.line import LATEST_SECOND, channel_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.row import Row

TOO_LONG = 255  # lines of this length or more are read one by one
LONGEST_NAME = 2 * WORD  # of a channel; Linux gives its network interfaces names of up to 15 characters
MOST_CHANNELS = 16  # of one form in one block; further ones get a template of their own

_SECOND_NS = 1_000_000_000
_LATEST_HEAD = LATEST_SECOND // 100  # of ten digits of seconds, the first eight; from here on, one by one
_USED = [np.uint64((1 << 8 * used) - 1) for used in range(WORD + 1)]  # the first characters of a word
_LEGAL_FD = np.isin(np.arange(256), FD_LENGTHS)

_FORM = re.compile(
    rb"[ \t]*\((?P<seconds>[0-9]+)\.(?P<fraction>[0-9]+)\)[ \t]+(?P<channel>[^ \t]+)[ \t]+"
    rb"(?P<identifier>[0-9A-Fa-f]+)#(?:#[0-9A-Fa-f])?(?P<payload>[0-9A-Fa-f]*)"
    rb"(?:[Rr][0-9A-Fa-f]?)?(?:[ \t]+[RT])?[ \t\r]*"
)


class Stretch(NamedTuple):
    """Places in a line, from `start` up to and without `stop`."""

    start: int
    stop: int

    @property
    def size(self) -> int:
        """Number of characters."""
        return self.stop - self.start


class Form:
    """Where the parts of a line stand, and what stands between them.

    Attributes:
        head: The leading digits of the seconds, mostly the same in neighbouring lines.
        pieces: The other digits of the stamp, each piece with the nanoseconds that its last digit counts.
        channel, identifier: Places of other parts that differ between lines.
        payload: Place of the first payload digit.
        windows: What must be the same before the payload.
        tail: What must follow the payload; the R of a remote frame begins it.
        most_length: Bytes of the longest payload.
        fd: Whether it is the form of FD frames.
        may_be_error: Whether an error frame can have it.
    """

    def __init__(self, fixed: bytes, spans: tuple[Stretch, ...], tail: bytes) -> None:
        seconds, fraction, self.channel, self.identifier = spans
        last = min(seconds.size, 2)
        self.head = Stretch(seconds.start, seconds.stop - last)
        self.head_unit_ns = 10**last * _SECOND_NS
        self.pieces = [(Stretch(self.head.stop, seconds.stop), _SECOND_NS)]
        for start in range(fraction.start, fraction.stop, WORD):
            stop = min(start + WORD, fraction.stop)
            self.pieces.append((Stretch(start, stop), 10 ** (9 - (stop - fraction.start))))
        self.payload = len(fixed)
        self.windows = _windows(fixed)
        self.tail = tail
        self.fd = self.payload > self.identifier.stop + 1
        self.most_bytes = FD_WIDTH if self.fd else CLASSIC_WIDTH
        is_remote = tail.startswith((b"R", b"r"))
        self.most_length = 0 if is_remote else self.most_bytes
        self.may_be_error = not (self.fd or is_remote)
        self.longest = self.payload + 2 * self.most_bytes + len(tail)


class Bits(NamedTuple):
    """Some neighbouring characters of a line as an unsigned integer; `mask` None takes all its bits."""

    start: int
    size: int
    mask: Any
    value: Any


def _windows(fixed: bytes) -> list[Bits]:
    """Cover the bytes of `fixed` that are not 0 with few and small windows."""
    windows = []
    start = 0
    while start < len(fixed):
        part = fixed[start : start + WORD].rstrip(b"\0")
        if not fixed[start]:
            start += 1
            continue
        size = 1 << (len(part) - 1).bit_length()
        mask = bytes(0xFF if byte else 0 for byte in part).ljust(size, b"\0")
        kind = np.dtype(f"u{size}").type
        whole = 0 not in mask
        value = kind(int.from_bytes(part, "little"))
        windows.append(Bits(start, size, None if whole else kind(int.from_bytes(mask, "little")), value))
        start += WORD
    return windows


def _as_word(text: bytes) -> np.uint64:
    return np.uint64(int.from_bytes(text, "little"))


_form = lru_cache(maxsize=4096)(Form)


class Template(NamedTuple):
    """A good line, what it says, and its form."""

    line: bytes
    frame: Row
    form: Form


def template_of(line: bytes, frame: Row) -> Template | None:
    """Return the template that a good line makes; None for rare forms, which are read one by one."""
    match = _FORM.fullmatch(line)
    if match is None:
        return None
    spans = tuple(Stretch(*match.span(name)) for name in ("seconds", "fraction", "channel", "identifier"))
    if spans[2].size > LONGEST_NAME:
        return None
    fixed = bytearray(line[: match.start("payload")])
    for span in spans:
        fixed[span.start : span.stop] = bytes(span.size)
    form = _form(bytes(fixed), spans, line[match.end("payload") :])
    return Template(line, frame, form) if form.longest < TOO_LONG and len(form.tail) <= WORD else None


@dataclass(slots=True)
class RowColumns:
    """Columns of the lines that were tried against a template; rows outside `right` mean nothing.

    Attributes:
        right: bool[n], lines of the template's form with nothing wrong in them.
        t_ns: int64[n].
        channel: uint8[n], index into `channels`.
        channels: The channel names.
        can_id: uint32[n].
        error: bool[n], error frames; None where there is none.
        length: uint8[n].
        payload: uint8[n, width], width 8 or 64.
    """

    right: NDArray[np.bool_]
    t_ns: NDArray[np.int64]
    channel: NDArray[np.uint8]
    channels: list[str]
    can_id: NDArray[np.uint32]
    error: NDArray[np.bool_] | None
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]


def decode(
    text: NDArray[np.uint8], starts: NDArray[np.intp], lengths: NDArray[np.uint8], template: Template
) -> RowColumns:
    """Read those of some lines that look like `template`.

    Args:
        text: uint8[m], which must go on for 2 * TOO_LONG bytes after the last line.
        starts: Where the lines begin in it.
        lengths: Their lengths, TOO_LONG where longer.
        template: A good line.
    """
    form = template.form
    rows = gather(text, starts, form.payload + 2 * form.most_bytes)
    right = _same_before_payload(rows, form)
    length = _lengths(lengths, form, right)
    if form.tail:
        _strike_other_tails(text, starts + lengths, form, right)
    t_ns = _stamps(rows, template, right)
    can_id, error = _identifiers(rows, form, right)
    payload, wrong = hexadecimal_bytes(rows, form.payload, length, form.most_bytes)
    _strike(right, wrong)
    channel, channels = _channels(rows, form, right)
    return RowColumns(right, t_ns, channel, channels, can_id, error, length, payload)


def _strike(right: NDArray[np.bool_], wrong: NDArray[np.bool_] | None) -> None:
    if wrong is not None:
        right &= ~wrong


def _same_before_payload(rows: Rows, form: Form) -> NDArray[np.bool_]:
    same = np.ones(rows.count, np.bool_)
    for start, size, mask, value in form.windows:
        word = rows.load(start, size)
        same &= word == value if mask is None else word & mask == value
    return same


def _lengths(lengths: NDArray[np.uint8], form: Form, right: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return the payload bytes of each line, 0 where the line's length fits none."""
    digits = lengths - np.uint8(form.payload + len(form.tail))  # a line too short for the form wraps round
    length = digits >> np.uint8(1)
    legal = _LEGAL_FD.take(length) if form.fd else length <= form.most_length
    legal &= digits & np.uint8(1) == 0
    if not legal.all():
        right &= legal
        length[~legal] = 0
    return length


def _strike_other_tails(
    text: NDArray[np.uint8], ends: NDArray[np.intp], form: Form, right: NDArray[np.bool_]
) -> None:
    size = len(form.tail)
    every = np.ndarray((len(text) - WORD + 1,), "<u8", text, strides=(1,))
    # A line shorter than the tail is none of this form; the text before it will do for the comparison.
    words = every[np.maximum(ends - size, 0)] & _USED[size]
    right &= words == _as_word(form.tail)


def _channels(rows: Rows, form: Form, right: NDArray[np.bool_]) -> tuple[NDArray[np.uint8], list[str]]:
    """Number the channel names; the lines of a name that is one too many are not `right`."""
    number = np.zeros(rows.count, np.uint8)
    start, size = form.channel.start, form.channel.size
    words = [rows.load(at) & _USED[min(size - at + start, WORD)] for at in range(start, start + size, WORD)]
    names: list[str] = []
    left = right.copy()
    while left.any():
        if len(names) == MOST_CHANNELS:
            right &= ~left
            break
        first = int(left.argmax())
        same = words[0] == words[0][first]
        for word in words[1:]:
            same &= word == word[first]
        name = channel_name(b"".join(int(word[first]).to_bytes(WORD, "little") for word in words)[:size])
        left &= ~same
        if name is None:
            right &= ~same
            continue
        if names:
            number += same.view(np.uint8) * np.uint8(len(names))
        names.append(name)
    return number, names


def _stamps(rows: Rows, template: Template, right: NDArray[np.bool_]) -> NDArray[np.int64]:
    t_ns = np.zeros(rows.count, np.uint64)
    for (start, stop), unit_ns in template.form.pieces:
        value, wrong = decimal(rows, start, stop - start)
        _strike(right, wrong)
        t_ns += np.multiply(value, unit_ns, dtype=np.uint64)
    t_ns += _heads(rows, template, right)
    return t_ns.view(np.int64)


def _heads(rows: Rows, template: Template, right: NDArray[np.bool_]) -> NDArray[np.uint64] | np.uint64:
    """Return the nanoseconds that the leading digits of the seconds stand for, one value if they agree."""
    span, unit_ns = template.form.head, template.form.head_unit_ns
    if not span.size:
        return np.uint64(0)
    text = template.line[span.start : span.stop]
    words = rows.load(span.start) & _USED[span.size]
    if int(text) < _LATEST_HEAD and (words == _as_word(text)).all():
        return np.uint64(int(text) * unit_ns)
    value, wrong = decimal(rows, span.start, span.size)
    _strike(right, wrong)
    right &= value < _LATEST_HEAD
    t_ns: NDArray[np.uint64] = np.multiply(value, unit_ns, dtype=np.uint64)
    return t_ns


def _identifiers(
    rows: Rows, form: Form, right: NDArray[np.bool_]
) -> tuple[NDArray[np.uint32], NDArray[np.bool_] | None]:
    span = form.identifier
    can_id, wrong = hexadecimal_number(rows, span.start, span.size)
    _strike(right, wrong)
    if span.size == 3:
        right &= can_id <= STANDARD_LIMIT
        return can_id, None
    error = can_id > EXTENDED_LIMIT
    if not error.any():
        return can_id, None
    right &= ~error | (can_id < 2 * ERROR_BIT) if form.may_be_error else ~error
    can_id &= np.uint32(EXTENDED_LIMIT)
    return can_id, error
