"""2. Bus and identifier of frames to the number of their message in a plan, whole columns at a time."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import numpy as np

from canmap.mapping.groups import (
    ADDRESSED_MASK,
    FIRST_BROADCAST_FORMAT,
    GROUP_MASK,
    PDU_FORMAT_SHIFT,
    SOURCE_BITS,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canmap.mapping.description.description import DescribedMessage, ParameterGroup

_STANDARD_IDS = 1 << 11
_ID_BITS = np.uint64(32)
_HASH_BITS = 64
_GROUP, _SOURCED = np.uint32(1 << 31), np.uint32(1 << 30)


class SlotIndex:
    """Finds the slot of each frame.

    11-bit identifiers index a table. For 29-bit ones a multiplicative hash without collisions is
    searched once; the key found is compared, so that an unknown identifier is never taken for a known one.
    On a bus that matches by parameter group it is searched for group and source, and then for the group only.
    """

    def __init__(self, keys: Sequence[tuple[int, DescribedMessage]]) -> None:
        """Index `keys`: bus and message; their order numbers the slots."""
        buses = 1 + max((bus for bus, _ in keys), default=-1)
        # Row 0 answers for bus -1.
        self._standard = np.full((buses + 1) * _STANDARD_IDS, -1, np.int32)
        self._by_group = np.zeros(buses + 1, np.bool_)  # the last answers for bus -1
        extended = {}
        for slot, (bus, message) in enumerate(keys):
            if message.group is not None:
                self._by_group[bus] = True
                extended[bus << int(_ID_BITS) | _group_key(message.group)] = slot
            elif message.extended:
                extended[bus << int(_ID_BITS) | message.can_id] = slot
            else:
                self._standard[(bus + 1) * _STANDARD_IDS + message.can_id] = slot
        self._any_group = bool(self._by_group.any())
        self._extended_keys = np.array(list(extended) or [0], np.uint64)
        self._extended_slots = np.array(list(extended.values()) or [-1], np.int32)
        self._multiplier, self._shift, self._extended_table = _perfect_hash(self._extended_keys)

    def slots_of(
        self, bus: NDArray[np.integer], can_id: NDArray[np.uint32], extended: NDArray[np.bool_]
    ) -> NDArray[np.int32]:
        """Return int32[n], the slot of each frame, -1 for none; arguments as `DecodePlan.slots_of`."""
        if extended.all():
            return self._extended_slots_of(bus, can_id)
        place = bus.astype(np.intp)
        place += 1
        place *= _STANDARD_IDS
        place += can_id
        # What is beyond the table lands on a wrong place of it here, and is put right below.
        slot = self._standard.take(place, mode="clip")
        beyond = can_id >= _STANDARD_IDS
        beyond |= extended
        if beyond.any():
            slot[beyond] = -1
            rows = np.flatnonzero(extended)
            slot[rows] = self._extended_slots_of(bus.take(rows), can_id.take(rows))
        return slot

    def _extended_slots_of(self, bus: NDArray[np.integer], can_id: NDArray[np.uint32]) -> NDArray[np.int32]:
        if not self._any_group:
            return self._search(bus, can_id)
        by_group = self._by_group.take(bus, mode="wrap")
        if not by_group.any():
            return self._search(bus, can_id)
        number = can_id >> np.uint32(SOURCE_BITS)
        is_broadcast = (can_id >> PDU_FORMAT_SHIFT & 0xFF) >= FIRST_BROADCAST_FORMAT
        number &= np.where(is_broadcast, np.uint32(GROUP_MASK), np.uint32(ADDRESSED_MASK))
        sourced = _GROUP | _SOURCED | number << SOURCE_BITS | (can_id & 0xFF)
        slot = self._search(bus, np.where(by_group, sourced, can_id).astype(np.uint32))
        left = np.flatnonzero(by_group & (slot < 0))
        slot[left] = self._search(bus[left], (_GROUP | number[left]).astype(np.uint32))
        return slot

    def _search(self, bus: NDArray[np.integer], can_id: NDArray[np.uint32]) -> NDArray[np.int32]:
        key = bus.astype(np.uint64)  # -1 becomes a number that no key has
        key <<= _ID_BITS
        key |= can_id
        place = key * self._multiplier
        place >>= self._shift
        number = self._extended_table.take(place.view(np.intp))
        slot = self._extended_slots.take(number)
        slot[self._extended_keys.take(number) != key] = -1
        return slot


def _group_key(group: ParameterGroup) -> int:
    """Key of a parameter group: no identifier has its top bits."""
    if group.source is None:
        return int(_GROUP) | group.number
    return int(_GROUP | _SOURCED) | group.number << SOURCE_BITS | group.source


def _perfect_hash(
    keys: NDArray[np.uint64],
) -> tuple[np.uint64, np.uint64, NDArray[np.intp]]:
    """Return multiplier, shift and table such that `table[keys * multiplier >> shift]` numbers `keys`."""
    numbers = random.Random(1)  # any odd number may serve; numpy's own generator is slow to import
    bits = max(4, 2 * len(keys).bit_length() - 2)
    while True:
        shift = np.uint64(_HASH_BITS - bits)
        for _ in range(8):
            multiplier = np.uint64(numbers.getrandbits(_HASH_BITS) | 1)
            places = (keys * multiplier) >> shift
            if len(set(places.tolist())) == len(keys):
                table = np.zeros(1 << bits, np.intp)
                table[places] = np.arange(len(keys))
                return multiplier, shift, table
        bits += 1
