"""Frames, MDF 4: the data of a group, from however many blocks, to a run of bytes.

In: the blocks of a file, and where the data begin. Out: their bytes, in pieces, and why they end too soon.
The data may lie in one block, packed or not, or in lists of blocks; each block is read once.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from canmap.frames.binary.mdfblocks import UNLISTED, UNSIZED, DamagedError, MdfBlock, MdfBlocks
from canmap.frames.unread import cut_short

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.unread import Unread

BUFFER = 1 << 20  # bytes of a piece
LARGEST_PACKED = 64 << 20  # bytes that a packed block may hold
PLAIN = (b"##DT", b"##SD", b"##DV", b"##RD")
PACKED, LISTS, LIST_OF_PACKED = b"##DZ", (b"##DL", b"##LD"), b"##HL"
_PACKED = struct.Struct("<2sBxIQQ")  # kind of block, method, parameter, size of the content, packed size
_DEFLATED, _TRANSPOSED = 0, 1
_COUNT_PLACE = 4  # where a list tells how many blocks it holds


class Data:
    """The bytes of some data.

    Args:
        blocks: The blocks of the file.
        place: Where the data begin; 0 where there are none.

    Attributes:
        damage: Why no more can be read; empty while that is not so.
    """

    def __init__(self, blocks: MdfBlocks, place: int) -> None:
        self._blocks = blocks
        self._place = place
        self.damage: Unread | None = None

    def pieces(self) -> Iterator[bytes]:
        """Yield the bytes in order, at least as many at a time as a piece holds, but for the last."""
        parts, size = [], 0
        for part in self._parts():
            parts.append(part)
            size += len(part)
            if size >= BUFFER:
                yield b"".join(parts)
                parts, size = [], 0
        yield b"".join(parts)

    def _parts(self) -> Iterator[bytes]:
        """Yield the bytes as the blocks hold them, which may be but a few each."""
        try:
            for place in self._places(self._place):
                yield from self._content(place)
        except DamagedError as damage:
            self.damage = damage.why

    def _places(self, place: int) -> Iterator[int]:
        """Yield where the blocks lie that hold data."""
        blocks = self._blocks
        kind = blocks.read(place, 4) if place else b""
        if kind == LIST_OF_PACKED:
            place = blocks.take(place, LIST_OF_PACKED).link(0)
            kind = blocks.read(place, 4)
        if kind not in LISTS:
            if place:
                yield place
            return
        last = 0
        for place_of_list, block in blocks.chain(place, kind):
            count = int.from_bytes(blocks.read(block.start + _COUNT_PLACE, 4), "little")
            last = place_of_list
            for last in filter(None, block.links[1 : 1 + count]):
                yield last
        if blocks.lacks & UNLISTED:
            yield from self._behind(last)

    def _behind(self, place: int) -> Iterator[int]:
        """Yield where the data blocks lie that follow on a block without a gap."""
        blocks = self._blocks
        while True:
            end = blocks.block(place, *PLAIN, PACKED, *LISTS).end
            place = end + -end % 8
            if blocks.read(place, 4) not in (*PLAIN, PACKED):
                return
            yield place

    def _content(self, place: int) -> Iterator[bytes]:
        blocks = self._blocks
        block = blocks.take(place, *PLAIN, PACKED)
        if block.kind == PACKED:
            content = self._unpack(block)
            yield from (content[at : at + BUFFER] for at in range(0, len(content), BUFFER))
            return
        end = block.end
        if blocks.lacks & UNSIZED and (end <= block.start or blocks.read(end + -end % 8, 2) != b"##"):
            end = blocks.next_taken(place)
        for at in range(block.start, min(end, blocks.size), BUFFER):
            yield blocks.read(at, min(BUFFER, end - at))
        if end > blocks.size:
            raise DamagedError(cut_short(inside="a data block"))

    def _unpack(self, block: MdfBlock) -> bytes:
        blocks = self._blocks
        _, method, width, size, packed_size = blocks.fields(block, _PACKED)
        if method not in (_DEFLATED, _TRANSPOSED):
            raise DamagedError(f"a data block is packed in an unknown way ({method})")
        if size > LARGEST_PACKED:
            raise DamagedError(f"a packed data block claims {size:,} bytes")
        packed = blocks.read(block.start + _PACKED.size, min(packed_size, blocks.size))
        if len(packed) < packed_size:
            raise DamagedError(cut_short(inside="a data block"))
        try:
            content = zlib.decompressobj().decompress(packed, max(size, 1))
        except zlib.error as error:
            raise DamagedError(f"a packed data block is damaged ({error})") from None
        blocks.count_unpacked(len(content))
        if method == _TRANSPOSED and width:
            content = _rows(content, width)
        return content


def _rows(content: bytes, width: int) -> bytes:
    """Return bytes row by row that stand column by column; those over whole rows stay at the end."""
    count = len(content) // width
    columns = np.frombuffer(content, np.uint8, count * width).reshape(width, count)
    return columns.T.tobytes() + content[count * width :]
