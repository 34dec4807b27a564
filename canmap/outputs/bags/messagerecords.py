"""Messages of topics to the message records of MCAP, from columns to columns.

A record is 31 bytes and the payload (opcode, length, channel, sequence, log time, publish time, bytes; MCAP
specification, "Message"). Payloads differ in length, so that each is copied as two blocks of a power of two
that overlap, its beginning and its end: a few calls for all of them, whatever lengths there are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from canmap.topics.topic_messages import TopicMessages

RECORD_HEADER = np.dtype(
    [
        ("opcode", "u1"),
        ("length", "<u8"),  # of what follows
        ("channel", "<u2"),
        ("sequence", "<u4"),
        ("log_time", "<u8"),
        ("publish_time", "<u8"),
    ]
)
MESSAGE_OPCODE = 0x05
_LENGTH_END = 9  # bytes of opcode and length


@dataclass(frozen=True, slots=True)
class MessageRecords:
    """Message records, one behind the other, and what is said of each.

    Attributes:
        data: uint8[m], the records; in a chunk of another writer there may be other records between them.
        offset: int64[n], where each begins in `data`.
        channel: uint16[n], id of the channel of each.
        time_ns: uint64[n], log time of each, in ns.
    """

    data: NDArray[np.uint8]
    offset: NDArray[np.int64]
    channel: NDArray[np.uint16]
    time_ns: NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.offset)

    def part(self, begin: int, end: int) -> MessageRecords:
        """Return the records of these rows."""
        if begin == end:
            return MessageRecords(self.data[:0], self.offset[:0], self.channel[:0], self.time_ns[:0])
        first = int(self.offset[begin])
        last = int(self.offset[end]) if end < len(self) else len(self.data)
        rows = slice(begin, end)
        return MessageRecords(
            self.data[first:last], self.offset[rows] - first, self.channel[rows], self.time_ns[rows]
        )


def join_records(parts: Sequence[MessageRecords]) -> MessageRecords:
    """Return records of several parts as one."""
    if len(parts) == 1:
        return parts[0]
    before = np.cumsum([0, *(len(part.data) for part in parts)])
    return MessageRecords(
        np.concatenate([part.data for part in parts]),
        np.concatenate([part.offset + shift for part, shift in zip(parts, before, strict=False)]),
        np.concatenate([part.channel for part in parts]),
        np.concatenate([part.time_ns for part in parts]),
    )


def lay_out(groups: Sequence[tuple[int, TopicMessages]]) -> MessageRecords:
    """Return the records of messages of several channels, by session clock, frame and channel.

    Args:
        groups: Ids of channels, and messages of each, at least one; no stamp is negative.
    """
    counts = [len(group) for _, group in groups]
    channel = np.repeat(np.array([channel_id for channel_id, _ in groups], np.uint16), counts)
    frame = np.concatenate([group.frame for _, group in groups])
    order = np.lexsort((channel, frame, np.concatenate([group.clock_ns for _, group in groups])))
    lengths = [np.diff(group.payloads.start) for _, group in groups]
    header = np.zeros(len(order), RECORD_HEADER)
    header["opcode"] = MESSAGE_OPCODE
    header["length"] = np.concatenate(lengths)[order] + (RECORD_HEADER.itemsize - _LENGTH_END)
    header["channel"] = channel[order]
    header["log_time"] = np.concatenate([group.stamp_ns for _, group in groups])[order]
    header["publish_time"] = header["log_time"]
    ends = np.cumsum(header["length"].astype(np.int64) + _LENGTH_END)
    offset = np.concatenate(([0], ends[:-1]))
    data = np.empty(int(ends[-1]), np.uint8)
    _windows(data, RECORD_HEADER.itemsize)[offset] = header.view(f"V{RECORD_HEADER.itemsize}")
    place = np.empty_like(offset)
    place[order] = offset + RECORD_HEADER.itemsize
    begin = 0
    for (_, group), count, length in zip(groups, counts, lengths, strict=True):
        payloads = group.payloads
        copy_blocks(data, place[begin : begin + count], payloads.data, payloads.start[:-1], length)
        begin += count
    return MessageRecords(data, offset, header["channel"], header["log_time"])


def copy_blocks(
    into: NDArray[np.uint8],
    place: NDArray[np.int64],
    data: NDArray[np.uint8],
    start: NDArray[np.int64],
    length: NDArray[np.int64],
) -> None:
    """Copy blocks of bytes of any lengths.

    Args:
        into: uint8[m], what they are copied into.
        place: int64[n], where each goes.
        data: uint8[k], what they are copied from.
        start: int64[n], where each begins in it.
        length: int64[n], bytes of each.
    """
    data = np.ascontiguousarray(data)
    for size, rows in _sizes(length):
        source, target = _windows(data, size), _windows(into, size)
        target[place[rows]] = source[start[rows]]
        rest = length[rows] - size
        if rest.any():
            target[place[rows] + rest] = source[start[rows] + rest]


def _sizes(length: NDArray[np.int64]) -> Iterator[tuple[int, NDArray[np.intp] | slice]]:
    """Yield sizes of blocks, and the rows whose bytes one or two blocks of it make up."""
    if not len(length):
        return
    if (longest := int(length.max())) == int(length.min()):
        if longest:
            yield longest, slice(None)
        return
    power = np.frexp(length)[1]  # of 2 that is greater than the length; 0 of nothing
    for exponent in np.unique(power).tolist():
        if exponent:
            yield 1 << (exponent - 1), np.flatnonzero(power == exponent)


def _windows(data: NDArray[np.uint8], size: int) -> NDArray[np.void]:
    """Return every block of `size` bytes of contiguous bytes, as one element, by where it begins."""
    return np.ndarray((len(data) - size + 1,), f"V{size}", data, 0, (1,))
