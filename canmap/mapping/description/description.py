"""0. What an open bus description says, as plain data: messages and where their signals lie.

In comes the path of a description file, out goes a `Description`; how it is read is up to
`canmap.mapping.description.database`.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

    from canmap.mapping.description.repairs import Repair


@dataclass(frozen=True, slots=True)
class NoData:
    """Raw codes, from one to another inclusive, that say that there is no value, and why.

    Attributes:
        low: The first.
        high: The last.
        text: What they say: "not available", "error"; "" where nothing tells.
    """

    low: int
    high: int
    text: str = ""


@dataclass(frozen=True, slots=True)
class DescribedSignal:
    """One signal of a message.

    Attributes:
        name: Its name, unique in the message.
        start_bit: Start bit as a DBC numbers it: the least significant bit of a little-endian signal,
            the most significant of a big-endian one; bit k is bit k mod 8 of byte k div 8.
        bits: Its length.
        big_endian: Byte order.
        signed: Two's complement.
        is_float: IEEE 754 of 16, 32 or 64 bits; `signed` is then without effect.
        factor: Physical value = raw * factor + offset, as written.
        offset: See `factor`; in `unit`.
        minimum: Smallest physical value promised, None where none is (an empty range promises nothing).
        maximum: Largest physical value promised.
        unit: As written, "" for none.
        labels: Raw code to text, without codes beyond 64 bits.
        selector: Name of the multiplexer signal that decides whether this one is present.
        selected_by: Inclusive raw ranges of the selector for which it is.
        no_data: Raw codes that are no value, where the rules of its bus say so.
        line: Where it is written, 0 where that is not known.
        labels_unread: Why its labels are not read, with file and line; "" where nothing is wrong with them.
    """

    name: str
    start_bit: int
    bits: int
    big_endian: bool
    signed: bool
    is_float: bool
    factor: Fraction
    offset: Fraction
    minimum: Fraction | None
    maximum: Fraction | None
    unit: str
    labels: Mapping[int, str]
    selector: str | None = None
    selected_by: tuple[tuple[int, int], ...] = ()
    no_data: tuple[NoData, ...] = ()
    line: int = field(default=0, compare=False)
    labels_unread: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class DoubtfulSignal:
    """A signal that is not read, because the description contradicts itself.

    Attributes:
        signal: What the description says of it.
        why: What is wrong with it, as the end of a sentence that begins with its name.
        keys: Keys of the correction that could put it right; none where only the file can be mended.
        root: Name of the signal to correct, "" for this one.
    """

    signal: DescribedSignal
    why: str
    keys: tuple[str, ...]
    root: str = ""


@dataclass(frozen=True, slots=True)
class ParameterGroup:
    """What a message is known by on a bus that matches by parameter group.

    Attributes:
        number: Parameter group number, 18 bits.
        source: Address that it comes from, None for any.
    """

    number: int
    source: int | None

    def __str__(self) -> str:
        """Return "0F004 from any source", "0F004 from source 0B"."""
        source = "any source" if self.source is None else f"source {self.source:02X}"
        return f"{self.number:05X} from {source}"


@dataclass(frozen=True, slots=True)
class DescribedMessage:
    """One message of a bus.

    Attributes:
        name: Its name, unique in the description.
        can_id: Identifier without flag bits.
        extended: 29-bit identifier.
        length: Payload bytes.
        sender: Node that sends it, None where the description does not say.
        period_ns: Cycle time it promises, None for none.
        signals: Those that are read, in the order of the description.
        group: Its parameter group where its bus matches by that, else None.
        doubtful: The other signals.
    """

    name: str
    can_id: int
    extended: bool
    length: int
    sender: str | None
    period_ns: int | None
    signals: tuple[DescribedSignal, ...]
    group: ParameterGroup | None = None
    doubtful: tuple[DoubtfulSignal, ...] = ()

    @property
    def all_signals(self) -> tuple[DescribedSignal, ...]:
        """Every signal that is described, read or not."""
        return (*self.signals, *(one.signal for one in self.doubtful))


@dataclass(frozen=True, slots=True)
class Description:
    """All messages that a description file holds.

    Attributes:
        path: The file as the user or the spec named it.
        messages: In the order of the file.
        repairs: What was mended in its text or left out, in the order of the file.
        left_out: What is not read at all, each with its repair: messages by name, signals as
            "Message.Signal".
    """

    path: str
    messages: tuple[DescribedMessage, ...]
    repairs: tuple[Repair, ...] = ()
    left_out: Mapping[str, Repair] = field(default_factory=dict)
