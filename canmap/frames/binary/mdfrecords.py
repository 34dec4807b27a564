"""Frames, MDF 4: a run of bytes to the records in it, and to the values of variable length.

In: one buffer after the other. Out: where records begin, and of which group they are; the bytes of values, by
where they lie. Where several groups share the data, each record stands after the id of its group.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.frames.binary.gather import records_at
from canmap.frames.binary.mdfblocks import LARGEST_RECORD, DamagedError, DataGroup
from canmap.frames.chunks import FD_WIDTH
from canmap.frames.unread import damaged

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

LENGTH_SIZE = 4  # bytes before a value that tell how long it is
_ROW = np.dtype((np.void, FD_WIDTH))
_LENGTH = np.dtype([("length", "<u4")])


class MdfRecords(NamedTuple):
    """Records in a buffer: where they begin, after their ids, and the numbers of their groups, int64[n]."""

    starts: NDArray[np.int64]
    groups: NDArray[np.int64]
    end: int  # where the rest begins


class Walker:
    """Finds the records of a data group.

    Attributes:
        id_size: Bytes of the id before each record.
    """

    def __init__(self, data_group: DataGroup) -> None:
        self.id_size = data_group.id_size
        self._width = data_group.groups[0].size if data_group.groups else 0
        self._groups = {
            (group.record_id & (1 << 8 * self.id_size) - 1).to_bytes(self.id_size, "little"): (
                number,
                None if group.is_values else group.size,
            )
            for number, group in enumerate(data_group.groups)
        }

    def walk(self, data: bytes) -> MdfRecords:
        """Return the whole records of a buffer.

        Raises:
            DamagedError: The first record is of no group, or claims too much.
        """
        if not self.id_size:
            starts = np.arange(0, len(data) - self._width + 1, self._width)
            return MdfRecords(starts, np.zeros(len(starts), np.int64), len(starts) * self._width)
        found, numbers, place = [], [], 0
        while (start := place + self.id_size) <= len(data):
            number, size = self._groups.get(data[place:start], (-1, 0))
            if size is None:
                size = LENGTH_SIZE + int.from_bytes(data[start : start + LENGTH_SIZE], "little")
            if number < 0 or size > LARGEST_RECORD:
                if not place:
                    raise DamagedError(damaged("a record is of no group"))
                break
            if start + size > len(data):
                break
            found.append(start)
            numbers.append(number)
            place = start + size
        return MdfRecords(np.array(found, np.int64), np.array(numbers, np.int64), place)


class VariableValues:
    """Values of variable length, of which a record tells where they lie, as if all lay in one run.

    Args:
        more: Pieces of that run, read as they are needed; nothing where the values stand between records.

    Attributes:
        end: Where the run ends, as far as it is known.
    """

    def __init__(self, more: Iterator[bytes]) -> None:
        self._more = more
        self._rest = b""
        self._place = np.zeros(0, np.int64)
        self._length = np.zeros(0, np.int64)
        self._rows = np.zeros(0, _ROW)
        self.end = 0

    def append(self, data: bytes, starts: NDArray[np.int64]) -> None:
        """Take in values, each at one of the `starts` in `data`, after its length."""
        length = records_at(data, starts, _LENGTH)["length"].astype(np.int64)
        after = self.end + np.cumsum(LENGTH_SIZE + length)
        self._place = np.append(self._place, after - length - LENGTH_SIZE)
        self._length = np.append(self._length, length)
        self._rows = np.append(self._rows, records_at(data, starts + LENGTH_SIZE, _ROW))
        self.end = int(after[-1]) if len(after) else self.end

    def known(self, places: NDArray[np.int64]) -> int:
        """Return of how many of some places, from the first on, the values are there; read more if need be.

        Raises:
            DamagedError: A value claims too much.
        """
        last = int(places.max()) if len(places) else -1
        while self.end <= last and (piece := next(self._more, None)) is not None:
            data = self._rest + piece
            starts, end = _values(data)
            self.append(data, starts)
            self._rest = data[end:]
        missing = np.flatnonzero(places >= self.end)
        return int(missing[0]) if len(missing) else len(places)

    def take(self, places: NDArray[np.int64]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return the values at these places, uint8[n, 64], and their lengths; forget those before them.

        Raises:
            DamagedError: No value begins at one of them.
        """
        found = np.searchsorted(self._place, places)
        found = np.minimum(found, max(len(self._place) - 1, 0))
        if len(places) and not (len(self._place) and np.array_equal(self._place[found], places)):
            raise DamagedError(damaged("no payload where a frame says so"))
        values = self._bytes(self._rows[found]), self._length[found]
        self._forget(int(found.min()) if len(found) else 0)
        return values

    def _bytes(self, rows: NDArray[Any]) -> NDArray[np.uint8]:
        return rows.view(np.uint8).reshape(len(rows), FD_WIDTH)

    def _forget(self, count: int) -> None:
        self._place, self._length, self._rows = (
            self._place[count:], self._length[count:], self._rows[count:],
        )  # fmt: skip


class ValuesInTurn(VariableValues):
    """The same where the recorder has not stated the places yet: each record has the next value."""

    def known(self, places: NDArray[np.int64]) -> int:
        """Return for how many records there are values."""
        return min(len(places), len(self._length))

    def take(self, places: NDArray[np.int64]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return as many values as there are places, uint8[n, 64], and their lengths; forget them."""
        count = len(places)
        values = self._bytes(self._rows[:count]), self._length[:count]
        self._forget(count)
        return values


def _values(data: bytes) -> tuple[NDArray[np.int64], int]:
    """Return where the whole values of a buffer begin, and where the rest does.

    Raises:
        DamagedError: The first one claims too much.
    """
    starts, place = [], 0
    while place + LENGTH_SIZE <= len(data):
        size = LENGTH_SIZE + int.from_bytes(data[place : place + LENGTH_SIZE], "little")
        if place + size > len(data):
            break
        starts.append(place)
        place += size
    if not starts and len(data) > LARGEST_RECORD:
        raise DamagedError(damaged("a payload claims too much"))
    return np.array(starts, np.int64), place
