"""Frames, MDF 4: the data of one data group to chunks of the bus events in them, in the order of the data.

In: the blocks of a file and a data group. Out: chunks, and why they end too soon.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.binary.gather import records_at
from canmap.frames.binary.mdfblocks import UNCOUNTED, UNPLACED, DamagedError, DataGroup, MdfBlocks
from canmap.frames.binary.mdfdata import Data
from canmap.frames.binary.mdfevents import VARIABLE, Events, events_of, whole
from canmap.frames.binary.mdfrecords import MdfRecords, ValuesInTurn, VariableValues, Walker
from canmap.frames.chunks import FrameChunk, join
from canmap.frames.unread import cut_short

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from canmap.frames.unread import Unread

MOST_WAITING = 4 << 20  # bytes of records whose payloads have not come
LEAST_RECORD = 32  # bytes that a record counts for, how short soever: it makes work


class _Log(NamedTuple):
    """The events of one group, and their payloads where these lie apart."""

    number: int  # of the group
    events: Events
    values: VariableValues | None

    def rows(self, data: bytes, starts: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return the records at these places of the data, uint8[n, bytes]."""
        layout = np.dtype((np.void, self.events.group.size))
        return records_at(data, starts, layout).view(np.uint8).reshape(len(starts), layout.itemsize)

    def known(self, rows: NDArray[np.uint8]) -> int:
        """Return of how many of the records, from the first on, the payloads are known."""
        return self.values.known(self._places(rows)) if self.values else len(rows)

    def frames(self, rows: NDArray[np.uint8], start_ns: int) -> tuple[FrameChunk, NDArray[np.bool_]]:
        """Return the frames of those records whose stamps are times, and which these are."""
        apart = self.values.take(self._places(rows)) if self.values else None
        return self.events.frames(rows, apart, start_ns)

    def _places(self, rows: NDArray[np.uint8]) -> NDArray[np.int64]:
        channel = self.events.channel("DataBytes")
        return whole(rows, channel) if channel else np.zeros(len(rows), np.int64)


class Run:
    """The data of one data group.

    Attributes:
        damage: Why the events end too soon; empty where they do not.
        timeless: How many events so far had a stamp that is no time.

    Raises:
        DamagedError: The fields of an event cannot be read.
    """

    def __init__(self, blocks: MdfBlocks, data_group: DataGroup, start_ns: int) -> None:
        groups = data_group.groups
        self.damage: Unread | None = None
        self.timeless = 0
        self._blocks = blocks
        self._start_ns = start_ns
        self._data = Data(blocks, data_group.data)
        self._walker = Walker(data_group)
        kind = ValuesInTurn if blocks.lacks & UNPLACED else VariableValues
        self._between = {i: kind(iter(())) for i, group in enumerate(groups) if group.is_values}
        between = {group.place: self._between.get(i) for i, group in enumerate(groups)}
        self._logs = [
            _Log(i, events, _values(blocks, events, between))
            for i, group in enumerate(groups)
            if (events := events_of(group))
        ]
        self._valued = 0  # up to where the values between the records were taken in
        stated = sum(group.records for group in groups if not group.is_values)
        self._stated = None if blocks.lacks & UNCOUNTED else stated
        self._count = 0  # of records so far, without those that are values

    @property
    def has_events(self) -> bool:
        """Whether there are any groups of bus events."""
        return bool(self._logs)

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the events."""
        rest, before = b"", 0
        try:
            for piece in self._data.pieces():
                data = rest + piece
                records = self._counted(self._walker.walk(data))
                self._take_values(data, records, before)
                chunk, end = self._chunk(data, records)
                if len(chunk):
                    yield chunk
                self._count_records(records, end)
                if len(data) - end > MOST_WAITING:
                    raise DamagedError("the payloads of its frames are missing")
                rest, before = data[end:], before + end
            self._check_end(rest)
        except DamagedError as damage:
            self.damage = damage.why

    def _counted(self, records: MdfRecords) -> MdfRecords:
        """Return the records that the file counts; room may have been kept for more."""
        if self._stated is None or self._walker.id_size:
            return records
        left = self._stated - self._count
        return MdfRecords(records.starts[:left], records.groups[:left], records.end)

    def _take_values(self, data: bytes, records: MdfRecords, before: int) -> None:
        """Take in the values that stand between the records, each once."""
        starts, is_new = records.starts, records.starts + before >= self._valued
        for i, values in self._between.items():
            values.append(data, starts[is_new & (records.groups == i)])
        if len(starts):
            self._valued = max(self._valued, before + int(starts[-1]) + 1)

    def _chunk(self, data: bytes, records: MdfRecords) -> tuple[FrameChunk, int]:
        """Return the events among the records, and where the rest begins: before a payload still to come."""
        end, found = records.end, []
        for log in self._logs:
            starts = records.starts[records.groups == log.number]
            rows = log.rows(data, starts)
            known = log.known(rows)
            end = end if known == len(rows) else min(end, int(starts[known]) - self._walker.id_size)
            found.append((log, starts, rows))
        parts, places = [], []
        for log, starts, rows in found:
            count = int(np.searchsorted(starts, end))
            chunk, is_timed = log.frames(rows[:count], self._start_ns)
            parts.append(chunk)
            places.append(starts[:count][is_timed])
            self.timeless += count - len(chunk)
        return join(parts).take(np.argsort(np.concatenate(places))), end

    def _count_records(self, records: MdfRecords, end: int) -> None:
        groups = records.groups[: int(np.searchsorted(records.starts, end))]
        self._count += len(groups) - int(np.isin(groups, list(self._between)).sum())
        self._blocks.count_unpacked(LEAST_RECORD * len(groups))

    def _check_end(self, rest: bytes) -> None:
        """Raise DamagedError if there should be more."""
        if self._data.damage:
            raise DamagedError(self._data.damage)
        if self._stated is not None and self._count < self._stated:
            raise DamagedError(
                cut_short(f"it counts {self._stated:,} records, and {self._count:,} of them are there")
            )
        if rest and self._stated is None:
            raise DamagedError(cut_short(inside="a record"))


def _values(
    blocks: MdfBlocks, events: Events, between: dict[int, VariableValues | None]
) -> VariableValues | None:
    """Return the payloads that lie apart from the records; None if they lie in these."""
    channel = events.channel("DataBytes")
    if channel is None or channel.kind != VARIABLE:
        return None
    if channel.data in between:
        return between[channel.data]
    return VariableValues(Data(blocks, channel.data).pieces())
