"""0. A bus description file to plain data, through cantools: the only module that touches its objects.

In comes the path of a file, out goes a `Description`. Nothing of the library gets past this module:
neither its objects, nor its exceptions, nor what it logs.
"""

from __future__ import annotations

import codecs
import functools
import logging
import re
import sys
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from canmap.base.deferred import put_off
from canmap.base.errors import DescriptionError, Fault, library_reason, readable
from canmap.base.unusable import unusable
from canmap.base.words import times
from canmap.mapping.description.bits import LARGEST_NUMBER, settled
from canmap.mapping.description.dbcmend import Mended, mended, original
from canmap.mapping.description.dbcsurvey import EXTENDED_FLAG, UNSENT_ID, UNSENT_MESSAGE
from canmap.mapping.description.dbctext import DbcText, MessageLine, SignalLine
from canmap.mapping.description.description import DescribedMessage, DescribedSignal, Description
from canmap.mapping.description.stated_twice import without_repeats

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from cantools.database.can import Message, Signal

# As a whole the library brings in python-can with all its bus drivers, and what it has for logs and for
# diagnoses, which takes ten times as long as the part that reads descriptions, and that twice as long as the
# part that reads a DBC.
for _package in ("", ".database", ".database.can", ".database.can.formats.arxml"):
    put_off(f"cantools{_package}")
_OTHERS = {".arxml": "arxml", ".kcd": "kcd", ".sym": "sym"}  # than DBC
LARGEST_FILE = 32 << 20
_MOST_FAULTS = 500
_CODES_THAT_CAN_COME = range(-(1 << 63), 1 << 64)  # raw values are 64 bits wide, with a sign or without
_SELECTED = re.compile(r"m(\d{1,18})(?!\d)")
_NO_SENDER = "Vector__XXX"
_NS_PER_MS = 1_000_000
_BEYOND = Fraction(10 * LARGEST_NUMBER)  # for what no floating-point number holds


def read_database(path: str) -> Description:
    """Read the bus description `path`; see `load_description`."""
    text = _read_text(path)
    other = _OTHERS.get(Path(path).suffix.lower())
    better = Mended(text) if other else mended(text)
    dbc = None if other else DbcText(path, better.text)
    if dbc and (faults := dbc.too_much()):
        raise DescriptionError(_in_order(faults))
    library = import_module(f"cantools.database.can.formats.{other or 'dbc'}")
    try:
        with _silence():
            database = library.load_string(dbc.parsable() if dbc else text, strict=False, sort_signals=None)
        messages = [message for message in database.messages if not _unsent(message)]
        written = _written(dbc, messages)
        described = [
            _message(message, place, better, Path(path).name)
            for message, place in zip(messages, written, strict=True)
        ]
        if other == "sym":  # the format names no nodes; the library makes one up
            described = [replace(message, sender=None) for message in described]
    except Exception as error:  # the library lets KeyError, ValueError, XML errors and its own escape
        raise DescriptionError(_load_faults(path, dbc, error)) from None
    read = without_repeats(described, written, better.left_out)
    return Description(
        path,
        tuple(map(settled, read.messages)),
        repairs=tuple(sorted((*better.repairs, *read.repairs), key=lambda repair: repair.line)),
        left_out={**read.left_out, **better.left_out},
    )


def _in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Return the faults as they stand in the file, no more than somebody can read of each and of all."""
    ordered = sorted(faults, key=lambda fault: (fault.line, fault.column))
    reported = [replace(fault, text=readable(original(fault.text))) for fault in ordered[:_MOST_FAULTS]]
    if more := len(ordered) - len(reported):
        reported.append(
            Fault(
                reported[0].file, 0, 0, f"There {'is' if more == 1 else 'are'} {times(more, 'more mistake')}."
            )
        )
    return tuple(reported)


def _read_text(path: str) -> str:
    """Return the text of the file, UTF-8 where it reads as such, else Windows-1252."""
    try:
        with Path(path).open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise DescriptionError((Fault(path, 0, 0, f"{unusable(error, path).unread}."),)) from None
    if len(content) > LARGEST_FILE:
        what = f"the file is larger than {LARGEST_FILE >> 20} MiB; give a bus description"
        raise DescriptionError((Fault(path, 0, 0, f"{what}."),))
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise DescriptionError((Fault(path, 0, 0, "this is text in UTF-16; save the file as UTF-8."),))
    if b"\0" in content:
        raise DescriptionError((Fault(path, 0, 0, "this is not a text file; give a bus description."),))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError as error:
            line = content.count(b"\n", 0, error.start) + 1
            column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
            what = f"byte 0x{content[error.start]:02X} is not text in UTF-8 or Windows-1252"
            raise DescriptionError((Fault(path, line, column, f"{what}; save the file as UTF-8."),)) from None
    if not text.strip():
        raise DescriptionError((Fault(path, 0, 0, "the file is empty; give a bus description."),))
    return text


@contextmanager
def _silence() -> Iterator[None]:
    """Keep what the library logs to itself: whatever matters is in the faults."""
    logger = logging.getLogger("cantools")
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(level)


def _unsent(message: Message) -> bool:
    identifier = message.frame_id | (EXTENDED_FLAG if message.is_extended_frame else 0)
    return message.name == UNSENT_MESSAGE or identifier == UNSENT_ID


def _load_faults(path: str, dbc: DbcText | None, error: Exception) -> tuple[Fault, ...]:
    """Say why the library gave up: with the place in the text, where it is known."""
    offset, position = getattr(error, "offset", None), getattr(error, "position", None)
    if dbc and isinstance(offset, int):
        return _in_order([dbc.syntax(offset)])
    if isinstance(position, tuple):
        return (Fault(path, position[0], position[1] + 1, f"the file cannot be read as XML: {error}."),)
    sentence = f"the description cannot be used: {type(error).__name__}: {library_reason(error)}."
    unknown = Fault(path, 0, 0, sentence)
    return (unknown,)


def _written(dbc: DbcText | None, messages: Sequence[Message]) -> Sequence[MessageLine | None]:
    """Return where each message is written; None where that is not known."""
    written = dbc.messages if dbc else []
    if [len(message.signals) for message in written] == [len(message.signals) for message in messages]:
        return written
    return [None] * len(messages)


def _message(message: Message, written: MessageLine | None, text: Mended, file: str) -> DescribedMessage:
    # Selectors go by their short name where the description also gives the signal a long one.
    long_names = (
        {line.name: signal.name for line, signal in zip(written.signals, message.signals, strict=True)}
        if written
        else {}
    )
    lines = written.signals if written else [None] * len(message.signals)
    return DescribedMessage(
        name=original(message.name),
        can_id=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        sender=next((original(sender) for sender in message.senders if sender != _NO_SENDER), None),
        period_ns=_period_ns(message.cycle_time),
        signals=tuple(
            _as_written(_signal(signal, long_names, line), line, text, file)
            for signal, line in zip(message.signals, lines, strict=True)
        ),
    )


def _period_ns(cycle_time_ms: float | None) -> int | None:
    if not isinstance(cycle_time_ms, int | float) or cycle_time_ms <= 0:
        return None
    return round(_exact(min(cycle_time_ms, LARGEST_NUMBER)) * _NS_PER_MS)


def _signal(signal: Signal, long_names: Mapping[str, str], place: SignalLine | None) -> DescribedSignal:
    minimum, maximum = _limits(signal.minimum, signal.maximum)
    selector = signal.multiplexer_signal
    selected_by = _ranges(signal.multiplexer_ids or ())
    if selector is None and place and (marked := _marked(place)):
        selected_by = marked
    return DescribedSignal(
        name=original(signal.name),
        start_bit=signal.start,
        bits=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=signal.is_signed,
        is_float=signal.is_float,
        factor=_exact(signal.scale),
        offset=_exact(signal.offset),
        minimum=minimum,
        maximum=maximum,
        unit=signal.unit or "",
        labels={
            code: str(text) for code, text in (signal.choices or {}).items() if code in _CODES_THAT_CAN_COME
        },
        selector=None if selector is None else original(long_names.get(selector, selector)),
        selected_by=selected_by,
        line=place.line if place else 0,
    )


def _as_written(
    signal: DescribedSignal, place: SignalLine | None, text: Mended, file: str
) -> DescribedSignal:
    """Return a signal as the file has it, where the library could not take it or takes it for another."""
    if not place:
        return signal
    key = place.line, original(place.name)
    if written := text.places.get(key):
        signal = replace(signal, start_bit=written[0], bits=written[1])
    if key in text.unselected:
        signal = replace(signal, selector=None, selected_by=_marked(place))
    if repair := text.unlabelled.get(key):
        signal = replace(signal, labels_unread=repair.at(file).rstrip("."))
    return signal


def _marked(place: SignalLine) -> tuple[tuple[int, int], ...]:
    """Return the selector value that a signal is marked with."""
    marked = _SELECTED.match(place.marker)
    return ((int(marked[1]), int(marked[1])),) if marked else ()


@functools.lru_cache(maxsize=1024)  # the same few factors and limits stand at many signals
def _exact(number: float) -> Fraction:
    """Return the decimal number that was written: the shortest one that reads back as `number`."""
    return Fraction(repr(number)) if abs(number) <= sys.float_info.max else _BEYOND


def _limits(minimum: float | None, maximum: float | None) -> tuple[Fraction | None, Fraction | None]:
    """Return the limits; an empty range, [0|0] above all, promises nothing, nor does an endless limit."""
    low = _exact(minimum) if minimum is not None and abs(minimum) <= LARGEST_NUMBER else None
    high = _exact(maximum) if maximum is not None and abs(maximum) <= LARGEST_NUMBER else None
    if low is not None and high is not None and (low > high or low == high == 0):
        return None, None
    return low, high


def _ranges(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Return `numbers` as inclusive ranges, ascending."""
    ranges: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if ranges and ranges[-1][1] == number - 1:
            ranges[-1] = (ranges[-1][0], number)
        else:
            ranges.append((number, number))
    return tuple(ranges)
