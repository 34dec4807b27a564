"""Frames, MDF 4: the records of a group of bus events to a chunk.

In: records, and the payloads that lie apart from them. Out: chunks in the order of the records. An event is
composed of fields whose names ASAM's bus logging lays down (from memory, checked against the files that
python-can writes).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.frames.batches import LATEST_NS, NS, UNNAMED_CHANNEL
from canmap.frames.binary.gather import LENGTH_OF_CODE, payload_within
from canmap.frames.binary.mdf_layout import EVENTS
from canmap.frames.binary.mdfblocks import Channel, DamagedError, RecordGroup
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    widen,
)
from canmap.frames.row import EXTENDED_LIMIT

if TYPE_CHECKING:
    from numpy.typing import NDArray

BIG_ENDIAN, SIGNED, FLOATS = (1, 3, 5), (2, 3), (4, 5)  # data types
VARIABLE = 1  # a channel whose values lie apart from the records, which tell where
FIRST_TEXT = 6  # the data types from here on are no numbers
WORD_BITS = 64
_SLACK = 1e-9  # by how much of itself a step of a clock in whole ns may be off, for it is a float


class Events(NamedTuple):
    """Events of one kind, and the layout of their records."""

    name: str
    group: RecordGroup
    time: Channel

    def channel(self, field: str) -> Channel | None:
        """Return where a field lies; None if the events do not tell it."""
        channels = self.group.channels
        return channels.get(f"{self.name}.{field}") or channels.get(field)

    def frames(
        self,
        records: NDArray[np.uint8],
        payload: tuple[NDArray[np.uint8], NDArray[np.int64]] | None,
        start_ns: int,
    ) -> tuple[FrameChunk, NDArray[np.bool_]]:
        """Return the frames of those records whose stamps are times, and which these are, bool[n].

        Args:
            records: The records.
            payload: Bytes uint8[n, 64] and lengths where the records do not hold the bytes themselves.
            start_ns: What the stamps count from.
        """
        stated = _Stated(self, records)
        kind, count = EVENTS[self.name], len(records)
        is_error, is_remote = kind == FrameKind.ERROR, kind == FrameKind.REMOTE
        data, lengths = payload or (stated.payload(), stated.length(is_remote=is_remote))
        length = np.clip(lengths, 0, 255).astype(np.uint8)
        channels, channel = stated.channels()
        t_ns, is_timed = _stamps(records, self.time, start_ns)
        chunk = FrameChunk(
            channels=channels,
            t_ns=t_ns,
            channel=channel,
            can_id=(stated.number("ID") & EXTENDED_LIMIT).astype(np.uint32),
            extended=stated.is_set("IDE") & np.bool_(not is_error),
            kind=np.full(count, kind, np.uint8),
            flags=stated.flags() & np.uint8(0xFF ^ FLAG_FD if is_error else 0xFF),
            length=length,
            payload=payload_within(data, np.zeros_like(length) if is_remote else length),
            line=np.zeros(count, np.int64),
        )
        return chunk if is_timed.all() else chunk.take(is_timed), is_timed


class _Stated(NamedTuple):
    """What events tell in their records, uint8[n, bytes]."""

    events: Events
    records: NDArray[np.uint8]

    def number(self, field: str) -> NDArray[np.int64]:
        """Return a field as whole numbers, 0 where the events do not tell it."""
        channel = self.events.channel(field)
        return np.zeros(len(self.records), np.int64) if channel is None else whole(self.records, channel)

    def is_set(self, field: str) -> NDArray[np.bool_]:
        """Return where a field is not 0."""
        return np.asarray(self.number(field) != 0)

    def flags(self) -> NDArray[np.uint8]:
        """Return the FLAG_ bits."""
        is_fd = self.is_set("EDL")
        flags = np.where(is_fd, FLAG_FD, 0)
        flags |= np.where(is_fd & self.is_set("BRS"), FLAG_BIT_RATE_SWITCH, 0)
        flags |= np.where(is_fd & self.is_set("ESI"), FLAG_ERROR_PASSIVE, 0)
        if direction := self.events.channel("Dir"):
            flags |= np.where(self._is_sent(direction), FLAG_SENT, FLAG_RECEIVED)
        return flags.astype(np.uint8)

    def _is_sent(self, direction: Channel) -> NDArray[np.bool_]:
        """Return which frames the recorder sent; the direction is a number, or a word such as 'Tx'."""
        if direction.data_type < FIRST_TEXT:
            return np.asarray(whole(self.records, direction) == 1)
        return np.asarray(bytes_of(self.records, direction)[:, 0] | 0x20 == ord("t"))

    def length(self, *, is_remote: bool) -> NDArray[np.int64]:
        """Return the bytes of the payloads; of remote frames those that they ask for."""
        if not is_remote and self.events.channel("DataLength"):
            return self.number("DataLength")
        code = self.number("DLC")
        lengths = LENGTH_OF_CODE[code & 15].astype(np.int64)
        return np.where(self.is_set("EDL") | (code > 15), lengths, np.minimum(code, CLASSIC_WIDTH))

    def payload(self) -> NDArray[np.uint8]:
        """Return the bytes of the payloads, uint8[n, 8 or 64]."""
        channel = self.events.channel("DataBytes")
        if channel is None:
            return np.zeros((len(self.records), CLASSIC_WIDTH), np.uint8)
        data = bytes_of(self.records, channel)[:, :FD_WIDTH]
        return widen(data, CLASSIC_WIDTH if data.shape[1] <= CLASSIC_WIDTH else FD_WIDTH)

    def channels(self) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
        """Return the names of the channels, and which of them each frame was on."""
        if self.events.channel("BusChannel") is None:
            return (UNNAMED_CHANNEL,), np.zeros(len(self.records), np.uint8)
        names, numbers = np.unique(self.number("BusChannel"), return_inverse=True)
        if len(names) > 255:
            raise DamagedError(f"the events name {len(names)} channels")
        return tuple(str(int(name)) for name in names), numbers.astype(np.uint8)


def bytes_of(records: NDArray[np.uint8], channel: Channel) -> NDArray[np.uint8]:
    """Return the bytes of a value in records uint8[n, bytes]; a view."""
    first = channel.bit // 8
    return records[:, first : first + (channel.bit % 8 + channel.bits + 7) // 8]


def whole(records: NDArray[np.uint8], channel: Channel) -> NDArray[np.int64]:
    """Return a whole number of up to 64 bits out of records uint8[n, bytes]."""
    data = bytes_of(records, channel)
    if channel.data_type in BIG_ENDIAN:
        data = data[:, ::-1]
    words = np.zeros((len(data), 8), np.uint8)
    words[:, : data.shape[1]] = data
    value = words.view("<i8")[:, 0]
    left = WORD_BITS - channel.bits - channel.bit % 8
    value <<= left  # to the top of the word, so that shifting back brings the sign
    if channel.data_type in SIGNED:
        return value >> (WORD_BITS - channel.bits)
    return (value.view(np.uint64) >> np.uint64(WORD_BITS - channel.bits)).view(np.int64)


def _stamps(
    records: NDArray[np.uint8], time: Channel, start_ns: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return stamps in ns, exactly where the clock counts in whole ns; and which of them are times."""
    step, offset = time.factor * NS, time.offset * NS
    if time.data_type in FLOATS:
        kind = f"{'>' if time.data_type in BIG_ENDIAN else '<'}f{time.bits // 8}"
        counted: NDArray[Any] = np.ascontiguousarray(bytes_of(records, time)).view(kind)[:, 0]
    else:
        counted = whole(records, time)
    with np.errstate(over="ignore", invalid="ignore"):
        since = counted.astype(np.float64) * step
        is_time = (np.abs(since) < LATEST_NS) & (np.abs(since + (offset + start_ns)) < LATEST_NS)
    if not abs(offset) < LATEST_NS or start_ns > LATEST_NS:
        is_time[:] = False
    if not is_time.all():
        counted, since = np.where(is_time, counted, 0), np.where(is_time, since, 0)
    if not is_time.any():
        return np.zeros(len(records), np.int64), is_time
    # A step that ns in 64 bits cannot tell leaves only the stamp 0, which is exact in any case.
    if counted.dtype == np.int64 and abs(step) < LATEST_NS and abs(step - round(step)) <= _SLACK * abs(step):
        return start_ns + round(offset) + counted * round(step), is_time
    return start_ns + (since + offset).round().astype(np.int64), is_time


def events_of(group: RecordGroup) -> Events | None:
    """Return the bus events of a group; None if it holds others.

    Raises:
        DamagedError: They have no time, or their fields lie outside of the records.
    """
    names = {name.partition(".")[0] for name in group.channels}
    event = next((event for event in EVENTS if event in names), None)
    if event is None or group.is_values:
        return None
    if group.time is None:
        raise DamagedError("the events of a group have no time")
    events = Events(event, group, group.time)
    numbers = map(events.channel, ("BusChannel", "ID", "IDE", "DLC", "DataLength", "EDL", "BRS", "ESI"))
    for channel in (group.time, *filter(None, numbers)):
        _check_number(channel, group.size)
    for channel in filter(None, map(events.channel, ("Dir", "DataBytes"))):
        if channel.data_type < FIRST_TEXT or channel.kind == VARIABLE:
            _check_number(channel, group.size)
        _check_place(channel, group.size)
    return events


def _check_place(channel: Channel, size: int) -> None:
    if channel.bit + channel.bits > 8 * size or not channel.bits:
        raise DamagedError(f"a value lies beyond the {size} bytes of its record")


def _check_number(channel: Channel, size: int) -> None:
    _check_place(channel, size)
    if channel.bit % 8 + channel.bits > WORD_BITS:
        raise DamagedError(f"a number has {channel.bits} bits")
    if channel.data_type in FLOATS and (channel.bit % 8 or channel.bits not in (32, 64)):
        raise DamagedError(f"a floating-point number has {channel.bits} bits")
