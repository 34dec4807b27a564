"""Frames, MDF 4 bus logs (`.mf4`): the groups of CAN events to chunks, in the order of their stamps.

In: a file, read by asammdf, which is an extra. Out: chunks; the line of a frame is its place in that order.
Data, remote and error frames stand in groups of their own, as ASAM's bus logging lays down; stamps are
floating-point seconds after a start in ns, rounded to ns.
"""

from __future__ import annotations

import logging
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import get_ident
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.chunks import (
    FLAG_BIT_RATE_SWITCH,
    FLAG_ERROR_PASSIVE,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    join,
)
from canmap.errors import CaptureError, readable
from canmap.extras import asammdf
from canmap.frames.batches import LATEST_NS, UNNAMED_CHANNEL
from canmap.frames.gather import payload_within, sifted
from canmap.frames.wholefile import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedIOBase

    from numpy.typing import NDArray

MOST_GROWTH = 1100  # how many times the size of a file its content can be, packed by deflate
MOST_REASON = 200  # characters
ROWS = 1 << 16  # records of a group that are read at once
_GROUPS = {
    "CAN_DataFrame": FrameKind.DATA,
    "CAN_RemoteFrame": FrameKind.REMOTE,
    "CAN_ErrorFrame": FrameKind.ERROR,
}
_IDENTIFIER = 0x1FFFFFFF


def read_mdf(name: str, stream: BufferedIOBase) -> Iterator[FrameChunk]:
    """Yield the chunks of an MDF 4 capture.

    Raises:
        CaptureError: It cannot be read, or holds no CAN bus log.
        UsageError: asammdf is not installed.
    """
    library = asammdf()
    library.blocks.mdf_v4.MDF4.__del__ = _end
    with whole_file(name, stream, ".mf4") as path, _complaints() as complaints:
        try:
            with library.MDF(path, process_bus_logging=False) as capture:
                groups = _groups(capture, MOST_GROWTH * Path(path).stat().st_size)
                if complaints:  # the library goes on without a part that it cannot read
                    raise ValueError(complaints[0])
                if not groups:
                    raise CaptureError(f"{name}: the MDF file holds no CAN bus log; give one that does.")
                line = 1
                for chunk in _merged(groups):
                    yield sifted(_numbered(chunk, line), name)
                    line += len(chunk)
                if complaints:
                    raise ValueError(complaints[0])
        except CaptureError:
            raise
        except Exception as error:  # whatever the library meets in a damaged file
            reason = readable(str(error).partition("\n")[0])
            reason = reason[:MOST_REASON] or type(error).__name__
            raise CaptureError(f"{name}: the MDF file is damaged ({reason}); copy it again.") from None


@contextmanager
def _complaints() -> Iterator[list[str]]:
    """Collect what the library logs as errors in this thread, which it would print otherwise."""
    complaints: list[str] = []
    thread = get_ident()

    def keep(record: logging.LogRecord) -> bool:
        if record.thread != thread:
            return True
        if record.levelno >= logging.ERROR:
            complaints.append(record.getMessage())
        return False

    logger = logging.getLogger("asammdf")
    logger.addFilter(keep)
    try:
        yield complaints
    finally:
        logger.removeFilter(keep)


def _end(capture: Any) -> None:
    """Close a capture that nobody holds any more.

    The library's own closing complains on standard error about what an object lacks that gave up on a damaged
    file when it was half made.
    """
    with suppress(AttributeError):
        capture.close()


def _numbered(chunk: FrameChunk, first: int) -> FrameChunk:
    chunk.line[:] = np.arange(first, first + len(chunk))
    return chunk


class _Group(NamedTuple):
    """One group of events of a capture."""

    capture: Any
    place: int
    event: str
    start_ns: int

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the events in the order of the group."""
        count = self.capture.groups[self.place].channel_group.cycles_nr
        for first in range(0, count, ROWS):
            signal = self.capture.get(
                self.event, self.place, record_offset=first, record_count=min(ROWS, count - first), raw=True
            )
            if not len(signal.samples):
                return
            yield _chunk(self.event, signal.samples, signal.timestamps, self.start_ns)


def _groups(capture: Any, most_bytes: int) -> list[_Group]:
    start_ns = int(capture.header.abs_time)
    found = []
    for index, group in enumerate(capture.groups):
        names = {channel.name for channel in group.channels}
        _check_places(group, most_bytes)
        found += [_Group(capture, index, event, start_ns) for event in _GROUPS if event in names]
    return found


def _check_places(group: Any, most_bytes: int) -> None:
    """Check that every value lies in its record, and the records in the file.

    The library reads wherever a value is said to be, and makes room for as much as is said to be there.

    Raises:
        ValueError: They do not.
    """
    size, count = group.channel_group.samples_byte_nr, group.channel_group.cycles_nr
    if count * (size + group.channel_group.invalidation_bytes_nr) > most_bytes:
        raise ValueError(f"{count} records of {size} bytes are more than the file can hold")
    for channel in group.channels:
        if 8 * channel.byte_offset + channel.bit_offset + channel.bit_count > 8 * size:
            raise ValueError(f"a value lies beyond the {size} bytes of its record")


def _merged(groups: list[_Group]) -> Iterator[FrameChunk]:
    """Yield the events of all groups in the order of their stamps; of each group one chunk is held."""
    sources = [group.chunks() for group in groups]
    heads = [next(source, None) for source in sources]
    while waiting := [head for head in heads if head is not None]:
        limit_ns = min(int(head.t_ns.max()) for head in waiting)  # stamps may step back
        parts = []
        for number, head in enumerate(heads):
            if head is None:
                continue
            count = int(np.searchsorted(np.maximum.accumulate(head.t_ns), limit_ns, side="right"))
            parts.append(head.take(slice(0, count)))
            left = head.take(slice(count, None))
            heads[number] = left if len(left) else next(sources[number], None)
        chunk = join(parts)
        yield chunk.take(np.argsort(chunk.t_ns, kind="stable"))


def _chunk(event: str, samples: NDArray[Any], seconds: NDArray[np.float64], start_ns: int) -> FrameChunk:
    told = _Told(event, samples)
    kind, count = _GROUPS[event], len(samples)
    ns = seconds * 1e9
    if not (np.abs(ns) < LATEST_NS - start_ns).all():
        raise ValueError("a stamp is later than nanoseconds in 64 bits can tell")
    is_fd = told.is_set("EDL")
    flags = np.where(is_fd, FLAG_FD, 0)
    flags |= np.where(is_fd & told.is_set("BRS"), FLAG_BIT_RATE_SWITCH, 0)
    flags |= np.where(is_fd & told.is_set("ESI"), FLAG_ERROR_PASSIVE, 0)
    if told.has("Dir"):
        flags |= np.where(told.is_sent(), FLAG_SENT, FLAG_RECEIVED)
    length = told.number("DLC" if kind == FrameKind.REMOTE else "DataLength")
    data = told.payload()
    bus = told.number("BusChannel") if told.has("BusChannel") else None
    names, numbers = np.unique(bus, return_inverse=True) if bus is not None else ((), np.zeros(count))
    return FrameChunk(
        channels=tuple(str(int(name)) for name in names) if bus is not None else (UNNAMED_CHANNEL,),
        t_ns=start_ns + np.round(ns).astype(np.int64),
        channel=numbers.astype(np.uint8),
        can_id=(told.number("ID") & _IDENTIFIER).astype(np.uint32),
        extended=told.is_set("IDE") & np.bool_(kind != FrameKind.ERROR),
        kind=np.full(count, kind, np.uint8),
        flags=np.where(kind == FrameKind.ERROR, flags & ~FLAG_FD, flags).astype(np.uint8),
        length=np.minimum(length, 255).astype(np.uint8),
        payload=payload_within(
            data, np.where(kind == FrameKind.REMOTE, 0, np.minimum(length, 255)).astype(np.uint8)
        ),
        line=np.zeros(count, np.int64),
    )


class _Told(NamedTuple):
    """The records of a group: what an event of this name tells."""

    event: str
    samples: NDArray[Any]

    def _name(self, field: str) -> str:
        return f"{self.event}.{field}"

    def has(self, field: str) -> bool:
        """Whether the events tell this field."""
        return self._name(field) in (self.samples.dtype.names or ())

    def number(self, field: str) -> NDArray[np.int64]:
        """Return a field as numbers, 0 where the events do not tell it."""
        if not self.has(field):
            return np.zeros(len(self.samples), np.int64)
        return np.asarray(self.samples[self._name(field)]).astype(np.int64)

    def is_set(self, field: str) -> NDArray[np.bool_]:
        """Return where a field is not 0."""
        return np.asarray(self.number(field) != 0)

    def is_sent(self) -> NDArray[np.bool_]:
        """Return which frames the recorder sent; the direction is a number or a word."""
        values = self.samples[self._name("Dir")]
        if values.dtype.kind in "SU":
            return np.asarray(np.char.lower(values.astype("U2")) == "tx")
        return np.asarray(values.astype(np.int64) == 1)

    def payload(self) -> NDArray[np.uint8]:
        """Return the bytes of the payload, uint8[n, width]."""
        if not self.has("DataBytes"):
            return np.zeros((len(self.samples), 8), np.uint8)
        return np.asarray(self.samples[self._name("DataBytes")], np.uint8).reshape(len(self.samples), -1)
