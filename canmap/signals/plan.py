"""2. Descriptions to a flat decode plan, resolved once: nothing is looked up by name while frames flow.

In come the bus descriptions, out goes the `DecodePlan` by which `extract` reads payloads.

The arithmetic that it prepares: a payload is read as 64-bit words, little-endian and big-endian ones.
Shifted left by the right count, a word (or a word and its neighbour, where a signal crosses from one
into the other) has the signal in its topmost bits; shifted right by 64 - bits, arithmetically for a
signed signal, it is the raw value.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass
from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH
from canmap.mapping.description.bits import bytes_needed, disjoint, first_bit
from canmap.signals.slots import SlotIndex

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedMessage, DescribedSignal, Description

WORD_BITS = 64  # a shift by as many leaves nothing of a word
_LONGEST_TABLE = 4096
_ALL_ONES = (1 << WORD_BITS) - 1

Ranges = tuple[tuple[int, int], ...]


class ColumnKind(IntEnum):
    """How the int64 raw values of a column are to be read."""

    INTEGER = 0  # as they are
    WIDE_UNSIGNED = 1  # bit pattern of an unsigned integer of 64 bits
    FLOAT = 2  # bit pattern of an IEEE 754 number of 16, 32 or 64 bits


@dataclass(frozen=True, slots=True)
class Slot:
    """One message of one bus.

    Attributes:
        bus: Index of its bus.
        bus_name: Name of its bus.
        message: What the description says of it.
        length: Payload bytes that it should have.
        groups: Its groups, the base group first, each after its parent.
    """

    bus: int
    bus_name: str
    message: DescribedMessage
    length: int
    groups: range


@dataclass(frozen=True, slots=True)
class Group:
    """Columns of one slot that are present in the same frames.

    Attributes:
        slot: Its slot.
        columns: Its columns.
        parent: Group of the selector, None for the base group of a slot (present in every frame).
        selector: Column of the selector, None for a base group.
        ranges: Inclusive raw ranges of the selector for which the group is present.
    """

    slot: int
    columns: range
    parent: int | None
    selector: int | None
    ranges: Ranges


@dataclass(frozen=True, slots=True)
class Column:
    """One signal of one slot.

    Attributes:
        slot: Its slot.
        group: Its group.
        signal: What the description says of it.
        kind: How its raw values are to be read.
        bytes_needed: Shortest payload that holds it.
    """

    slot: int
    group: int
    signal: DescribedSignal
    kind: ColumnKind
    bytes_needed: int

    @property
    def sign_extended(self) -> bool:
        """Whether its raw values are two's complement."""
        return self.signal.signed and not self.signal.is_float


@dataclass(frozen=True, slots=True)
class Reading:
    """How all columns are read from payloads of one width: one element per column, or per group.

    Attributes:
        row: intp[columns], the word that holds the most significant bit. Little-endian words come first:
            with two of them in a payload, 0 and 1 are the little-endian, 2 and 3 the big-endian ones.
        big_endian: Whether there are big-endian words at all.
        crosses: bool[columns], the signal goes on in `next_row`.
        left: uint64[columns], shift that brings the signal to the top of the word.
        next_row: intp[columns], the word that holds the rest of a signal that crosses into another.
        spill: uint64[columns], right shift of `next_row`; 64, which leaves nothing, where none is needed.
        right: int64[columns], shift that brings the signal down again.
        mask: uint64[columns], clears the copies of the top bit for a signal that is not signed.
        word: Of each group its `row`, as a number where it is the same for all of its columns.
        is_crossed: Of each group whether any of its columns crosses.
        is_signed: Of each group whether any of its columns is signed.
    """

    row: NDArray[np.intp]
    big_endian: bool
    crosses: NDArray[np.bool_]
    left: NDArray[np.uint64]
    next_row: NDArray[np.intp]
    spill: NDArray[np.uint64]
    right: NDArray[np.int64]
    mask: NDArray[np.uint64]
    word: tuple[int | NDArray[np.intp], ...]
    is_crossed: tuple[bool, ...]
    is_signed: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Switch:
    """Groups of one selector of which a frame has at most one.

    Attributes:
        selector: Column of the selector.
        groups: intp[k], the groups.
        edges: int64[e] (uint64 for a wide unsigned selector), ascending: where the choice changes.
        choices: uint16[e + 1], index into `groups` from each edge on; k for none of them.
        table: uint16[t], the choice for each number from 0 on, and for all beyond the last; None where the
            selector is signed or the table would be long.
    """

    selector: int
    groups: NDArray[np.intp]
    edges: NDArray[np.int64] | NDArray[np.uint64]
    choices: NDArray[np.uint16]
    table: NDArray[np.uint16] | None

    def choose(self, numbers: NDArray[np.int64] | NDArray[np.uint64]) -> NDArray[np.uint16]:
        """Return the index of the group that each of the `numbers` of the selector selects; k for none."""
        if self.table is not None:
            return self.table.take(numbers.view(np.int64), mode="clip")
        return self.choices.take(self.edges.searchsorted(numbers, "right"))


@dataclass(frozen=True)
class DecodePlan:
    """How every described signal is read, by number.

    Columns are in the order of slots, within a slot of groups, within a group of the description.

    Attributes:
        buses: Names of the buses; their order numbers them.
        slots: One per bus, identifier and identifier length.
        groups: Sets of columns that are present together.
        columns: One per signal.
        slot_of: (bus, message) to slot.
        column_of: (bus, message, signal) to column.
        column_group: intp[columns], the group of each.
        bytes_needed: uint16[columns], `Column.bytes_needed`.
        slot_bytes_needed: uint16[slots], shortest payload that holds every signal of the slot.
        base_group: intp[slots], the first group of each slot.
        switches: What decides between the multiplexed groups, each after that of its selector's group.
        switch_slot: intp[switches], the slot of each.
        readings: Payload width (8 or 64) to how columns are read.
        index: Finds the slot of a frame.
    """

    buses: tuple[str, ...]
    slots: tuple[Slot, ...]
    groups: tuple[Group, ...]
    columns: tuple[Column, ...]
    slot_of: dict[tuple[str, str], int]
    column_of: dict[tuple[str, str, str], int]
    column_group: NDArray[np.intp]
    bytes_needed: NDArray[np.uint16]
    slot_bytes_needed: NDArray[np.uint16]
    base_group: NDArray[np.intp]
    switches: tuple[Switch, ...]
    switch_slot: NDArray[np.intp]
    readings: dict[int, Reading]
    index: SlotIndex

    @classmethod
    def build(cls, buses: Sequence[tuple[str, Description]]) -> DecodePlan:
        """Return the plan for `buses`: the name of each and the description of what it carries."""
        slots: list[Slot] = []
        groups: list[Group] = []
        columns: list[Column] = []
        for bus, (bus_name, description) in enumerate(buses):
            for message in description.messages:
                first = len(groups)
                _append_groups(len(slots), message, groups, columns)
                slots.append(Slot(bus, bus_name, message, message.length, range(first, len(groups))))
        bytes_needed = np.array([column.bytes_needed for column in columns], np.uint16)
        slot_bytes_needed = np.zeros(len(slots), np.uint16)
        np.maximum.at(slot_bytes_needed, [column.slot for column in columns], bytes_needed)
        switches = tuple(_switches(groups, columns))
        return cls(
            buses=tuple(name for name, _ in buses),
            slots=tuple(slots),
            groups=tuple(groups),
            columns=tuple(columns),
            slot_of={(slot.bus_name, slot.message.name): number for number, slot in enumerate(slots)},
            column_of={
                (slots[column.slot].bus_name, slots[column.slot].message.name, column.signal.name): number
                for number, column in enumerate(columns)
            },
            column_group=np.array([column.group for column in columns], np.intp),
            bytes_needed=bytes_needed,
            slot_bytes_needed=slot_bytes_needed,
            base_group=np.array([slot.groups.start for slot in slots], np.intp),
            switches=switches,
            switch_slot=np.array([columns[switch.selector].slot for switch in switches], np.intp),
            readings={width: _reading(columns, groups, width) for width in (CLASSIC_WIDTH, FD_WIDTH)},
            index=SlotIndex([(slot.bus, slot.message) for slot in slots]),
        )

    def slots_of(
        self, bus: NDArray[np.integer], can_id: NDArray[np.uint32], extended: NDArray[np.bool_]
    ) -> NDArray[np.int32]:
        """Return the slot of each frame, -1 where no description knows it.

        Args:
            bus: Integer[n], index of the bus, -1 for a channel that is no bus of the plan.
            can_id: uint32[n], identifier without flag bits.
            extended: bool[n], 29-bit identifier.

        Returns:
            int32[n].
        """
        return self.index.slots_of(bus, can_id, extended)


def _append_groups(slot: int, message: DescribedMessage, groups: list[Group], columns: list[Column]) -> None:
    """Append the groups and columns of `message`, breadth first: each group after its selector's."""
    always = [signal for signal in message.signals if signal.selector is None]
    pending: list[tuple[int | None, Ranges, list[DescribedSignal]]] = [(None, (), always)]
    for selector, ranges, signals in pending:
        number = len(groups)
        first = len(columns)
        columns += [Column(slot, number, signal, _kind(signal), bytes_needed(signal)) for signal in signals]
        parent = None if selector is None else columns[selector].group
        groups.append(Group(slot, range(first, len(columns)), parent, selector, ranges))
        for column in range(first, len(columns)):
            pending += _selected_by(column, columns[column].signal.name, message)


def _selected_by(
    column: int, name: str, message: DescribedMessage
) -> Iterator[tuple[int, Ranges, list[DescribedSignal]]]:
    """Yield the sets of signals that the selector `name` switches together."""
    by_ranges: dict[Ranges, list[DescribedSignal]] = {}
    for signal in message.signals:
        if signal.selector == name:
            by_ranges.setdefault(signal.selected_by, []).append(signal)
    for ranges, signals in by_ranges.items():
        yield column, ranges, signals


def _switches(groups: Sequence[Group], columns: Sequence[Column]) -> Iterator[Switch]:
    """Yield the switches of all groups: one per selector, or more where its groups overlap."""
    by_selector: dict[int, list[int]] = {}
    for number, group in enumerate(groups):
        if group.selector is not None:
            by_selector.setdefault(group.selector, []).append(number)
    for selector, numbers in by_selector.items():
        waiting = numbers
        while waiting:
            chosen: list[int] = []
            for number in waiting:
                if all(disjoint(groups[number].ranges, groups[other].ranges) for other in chosen):
                    chosen.append(number)
            yield _switch(columns[selector], selector, chosen, groups)
            waiting = [number for number in waiting if number not in chosen]


def _switch(column: Column, selector: int, chosen: list[int], groups: Sequence[Group]) -> Switch:
    wide = column.kind is ColumnKind.WIDE_UNSIGNED
    largest = int(np.iinfo(np.uint64 if wide else np.int64).max)
    none = len(chosen)
    changes = {}
    for low, high, choice in sorted(
        (low, high, choice) for choice, number in enumerate(chosen) for low, high in groups[number].ranges
    ):
        changes[low] = choice
        changes[high + 1] = none
    numbers = [number for number in sorted(changes) if number <= largest]
    edges = np.array(numbers, np.uint64) if wide else np.array(numbers, np.int64)
    choices = np.array([none, *(changes[number] for number in numbers)], np.uint16)
    table = None
    if not column.sign_extended and not wide and numbers[-1] < _LONGEST_TABLE:
        table = choices.take(edges.searchsorted(np.arange(numbers[-1] + 1), "right"))
    return Switch(selector, np.array(chosen, np.intp), edges, choices, table)


def _kind(signal: DescribedSignal) -> ColumnKind:
    if signal.is_float:
        return ColumnKind.FLOAT
    return ColumnKind.WIDE_UNSIGNED if signal.bits == WORD_BITS and not signal.signed else ColumnKind.INTEGER


def _reading(columns: Sequence[Column], groups: Sequence[Group], width: int) -> Reading:
    """Return how `columns` are read from payloads of `width` bytes."""
    places = [_place(column.signal, width) for column in columns]

    def shifts(counts: list[int]) -> NDArray[np.uint64]:
        return np.array(counts, np.uint64)

    row = np.array([place.row for place in places], np.intp)
    return Reading(
        row=row,
        big_endian=any(column.signal.big_endian for column in columns),
        crosses=np.array([place.spill < WORD_BITS for place in places], np.bool_),
        left=shifts([place.left for place in places]),
        next_row=np.array([place.next_row for place in places], np.intp),
        spill=shifts([place.spill for place in places]),
        right=shifts([WORD_BITS - column.signal.bits for column in columns]).view(np.int64),
        mask=shifts(
            [_ALL_ONES if column.sign_extended else (1 << column.signal.bits) - 1 for column in columns]
        ),
        word=tuple(_one_or_each(row[group.columns.start : group.columns.stop]) for group in groups),
        is_crossed=tuple(any(places[one].spill < WORD_BITS for one in group.columns) for group in groups),
        is_signed=tuple(any(columns[one].sign_extended for one in group.columns) for group in groups),
    )


def _one_or_each(rows: NDArray[np.intp]) -> int | NDArray[np.intp]:
    different = {*rows.tolist()}
    return different.pop() if len(different) == 1 else rows


@dataclass(frozen=True, slots=True)
class _Place:
    """Where one signal lies: an element of a `Reading`."""

    row: int
    left: int
    next_row: int
    spill: int


def _place(signal: DescribedSignal, width: int) -> _Place:
    """Return how `signal` is read from payloads of `width` bytes; as 0 where it lies beyond them."""
    if bytes_needed(signal) > width:
        return _Place(row=0, left=WORD_BITS, next_row=0, spill=WORD_BITS)
    first = first_bit(signal)
    end = first + signal.bits
    head, tail = first // WORD_BITS, (end - 1) // WORD_BITS
    if signal.big_endian:
        rows = width * 8 // WORD_BITS
        row, next_row, left = rows + head, rows + tail, first % WORD_BITS
    else:
        row, next_row, left = tail, head, -end % WORD_BITS
    return _Place(row, left, next_row, spill=WORD_BITS if head == tail else WORD_BITS - left)
