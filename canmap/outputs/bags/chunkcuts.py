"""Where one chunk ends and the next begins: after rows, whatever steps they came in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.outputs.bags.messagerecords import join_records

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.outputs.bags.messagerecords import MessageRecords


class ChunkCuts:
    """Cuts records into chunks. A chunk ends with the record that brings it to one of the two limits.

    Args:
        most_messages: Of a chunk, from 1.
        full_bytes: Bytes of records with which a chunk is full, from 1.
    """

    def __init__(self, most_messages: int, full_bytes: int) -> None:
        self._most_messages = most_messages
        self._full_bytes = full_bytes
        self._open: list[MessageRecords] = []
        self._messages = self._bytes = 0  # of the open chunk

    def take(self, records: MessageRecords) -> Iterator[MessageRecords]:
        """Take the next records; yield each chunk that they complete."""
        ends = np.append(records.offset[1:], len(records.data))
        begin = done = 0
        while begin < len(records):
            by_bytes = int(np.searchsorted(ends, done + self._full_bytes - self._bytes)) + 1
            end = min(by_bytes, begin + self._most_messages - self._messages)
            if end > len(records):
                break
            self._open.append(records.part(begin, end))
            yield self._closed()
            begin, done = end, int(ends[end - 1])
        if begin < len(records):
            self._open.append(records.part(begin, len(records)))
            self._messages += len(records) - begin
            self._bytes += len(records.data) - done

    def rest(self) -> Iterator[MessageRecords]:
        """Yield the chunk that is open, if it has a record."""
        if self._open:
            yield self._closed()

    def _closed(self) -> MessageRecords:
        chunk = join_records(self._open)
        self._open = []
        self._messages = self._bytes = 0
        return chunk
