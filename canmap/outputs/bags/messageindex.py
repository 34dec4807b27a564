"""The message indexes of a chunk: for each channel when its messages were logged and where they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.outputs.bags.messagerecords import MessageRecords

_HEADER = np.dtype([("opcode", "u1"), ("length", "<u8"), ("channel", "<u2"), ("size", "<u4")])
_ENTRY = np.dtype([("time", "<u8"), ("offset", "<u8")])
_OPCODE = 0x07
_LENGTH_END = 9  # bytes of opcode and length


@dataclass(frozen=True, slots=True)
class ChunkContents:
    """What is said of the messages of a chunk behind it and in the summary.

    Attributes:
        index: The message index records, one a channel, by channel.
        offsets: Id of each channel, and where its record begins in `index`.
        counts: Id of each channel, and how many messages it has.
        start_ns: Least log time, 0 where there is no message.
        end_ns: Greatest log time, 0 where there is no message.
    """

    index: bytes
    offsets: Mapping[int, int]
    counts: Mapping[int, int]
    start_ns: int
    end_ns: int


def contents_of(records: MessageRecords) -> ChunkContents:
    """Return what is said of a chunk with these records."""
    if not len(records):
        return ChunkContents(b"", {}, {}, 0, 0)
    order = np.argsort(records.channel, kind="stable")
    entries = np.empty(len(order), _ENTRY)
    entries["time"] = records.time_ns[order]
    entries["offset"] = records.offset[order]
    channels, begins, counts = np.unique(records.channel[order], return_index=True, return_counts=True)
    offsets: dict[int, int] = {}
    written = bytearray()
    for channel, begin, count in zip(channels.tolist(), begins.tolist(), counts.tolist(), strict=True):
        offsets[channel] = len(written)
        size = count * _ENTRY.itemsize
        header = (_OPCODE, _HEADER.itemsize - _LENGTH_END + size, channel, size)
        written += np.array(header, _HEADER).tobytes() + entries[begin : begin + count].tobytes()
    return ChunkContents(
        index=bytes(written),
        offsets=offsets,
        counts=dict(zip(channels.tolist(), counts.tolist(), strict=True)),
        start_ns=int(records.time_ns.min()),
        end_ns=int(records.time_ns.max()),
    )
