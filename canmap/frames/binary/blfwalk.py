"""Frames, BLF: what the containers hold to where its objects are, by column.

In: one buffer after the other. Out: the objects in it. An object begins with a signature and tells its size.
Every place that holds the signature may begin one, so the sizes are read at all of them at once; which of
them do begin one shows when they are followed from the first, for a payload may hold the signature too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from canmap.frames.binary.blfobjects import Objects
from canmap.frames.binary.gather import BadObjects, followed, records_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

SIGNATURE = b"LOBJ"
HEADER = np.dtype(
    [("signature", "S4"), ("header_size", "<u2"), ("version", "<u2"), ("size", "<u4"), ("kind", "<u4")]
)
PADDING = 8  # bytes that may stand between two objects
MOST_OBJECT = 16 << 20  # bytes; what claims more is damaged
MOST_DAMAGED = 10_000  # objects; then the rest is no log
WINDOW = 2 << 20  # bytes searched for signatures at once


class _Chain(NamedTuple):
    """The objects of a window that follow one another, a row of n each."""

    place: NDArray[Any]
    version: NDArray[Any]
    size: NDArray[Any]
    kind: NDArray[Any]
    damaged: NDArray[Any]  # bool: it claims an impossible size
    end: NDArray[Any]  # where the next is looked for; of the last, it may lie beyond the buffer

    def where(self, chosen: slice | NDArray[np.int64]) -> _Chain:
        """Return some of the objects."""
        return _Chain(*(column[chosen] for column in self))


class Walk:
    """Finds the objects in one buffer after the other.

    Attributes:
        bad: What is wrong with the objects, for whoever walks to take.
        number: Objects so far.
        stopped: Whether there were so many damaged objects that nothing more is to be read.
    """

    def __init__(self) -> None:
        self.bad = BadObjects()
        self.number = 0
        self.stopped = False
        self._damaged = 0

    def objects(self, data: bytes) -> tuple[Objects, int]:
        """Return the objects that are whole, and where the rest of the buffer begins."""
        found: list[Objects] = []
        done = start = 0  # where the last object ended; where the next signature is looked for
        while done + HEADER.itemsize <= len(data) and start + len(SIGNATURE) <= len(data):
            chain = self._up_to_the_limit(_chain(data, start))
            if len(chain.place):
                found.append(self._counted(chain, done, len(data)))
                if self.stopped:
                    return joined(found), len(data)
                if chain.end[-1] > len(data):
                    return joined(found), int(chain.place[-1])
                done = int(chain.end[-1])
            start = max(done, start + WINDOW)
        if done + HEADER.itemsize <= len(data):
            rest = len(data) - len(SIGNATURE) + 1  # where a signature may begin
            self._note_gaps(np.array([self.number + 1]), np.array([rest - done]))
            done = rest
        return joined(found), done

    def _up_to_the_limit(self, chain: _Chain) -> _Chain:
        damaged = np.flatnonzero(chain.damaged)[: MOST_DAMAGED - self._damaged]
        self._damaged += len(damaged)
        self.stopped = self._damaged >= MOST_DAMAGED
        return chain.where(slice(damaged[-1] + 1)) if self.stopped else chain

    def _counted(self, chain: _Chain, done: int, size_of_data: int) -> Objects:
        """Number the objects that are whole, and note what is wrong; `done` is where the one before ended."""
        number = self.number + 1 + np.arange(len(chain.place))
        self._note_gaps(number, chain.place - np.append(done, chain.end[:-1]))
        claimed = chain.size[chain.damaged]
        self.bad.add_all(number[chain.damaged], lambda i: f"the object claims a size of {claimed[i]:,} bytes")
        whole = chain.end <= size_of_data
        self.number += int(np.count_nonzero(whole))
        good = whole & ~chain.damaged
        columns = (chain.place, chain.version, chain.size, chain.kind, number)
        return Objects(*(column if good.all() else column[good] for column in columns))

    def _note_gaps(self, number: NDArray[np.int64], gap: NDArray[np.int64]) -> None:
        wide = gap > PADDING
        skipped = gap[wide]
        self.bad.add_all(number[wide], lambda i: f"{skipped[i]:,} bytes before it are not objects")


def joined(parts: list[Objects]) -> Objects:
    """Return the objects of all parts."""
    if not parts:
        return Objects(*np.zeros((len(Objects._fields), 0), np.int64))
    return parts[0] if len(parts) == 1 else Objects(*map(np.concatenate, zip(*parts, strict=True)))


def _chain(data: bytes, start: int) -> _Chain:
    """Return the objects that follow one another in the window at `start`."""
    place = _signatures(data, start)
    header = records_at(data, place, HEADER)
    size = header["size"].astype(np.int64)
    has_header = place + HEADER.itemsize <= len(data)
    damaged = has_header & ((size < HEADER.itemsize) | (size > MOST_OBJECT))
    end = place + np.where(damaged, len(SIGNATURE), size)
    end[~has_header] = len(data) + 1
    following = np.searchsorted(place, end)
    following[end + HEADER.itemsize > len(data)] = len(place)  # there can be none
    chain = _Chain(
        place, header["version"].astype(np.int64), size, header["kind"].astype(np.int64), damaged, end
    )
    next_ones = np.arange(1, len(place) + 1)
    return chain if np.array_equal(following, next_ones) else chain.where(followed(following))


def _signatures(data: bytes, start: int) -> NDArray[np.int64]:
    """Return the places of the signatures that begin in the window at `start`."""
    count = min(WINDOW, len(data) - start - len(SIGNATURE) + 1)
    window = np.frombuffer(data, np.uint8, count + len(SIGNATURE) - 1, start)
    found = window[:count] == SIGNATURE[0]
    for i in range(1, len(SIGNATURE)):
        found &= window[i : i + count] == SIGNATURE[i]
    return np.flatnonzero(found) + start
