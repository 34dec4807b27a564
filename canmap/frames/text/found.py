"""Frames, text formats: what a grammar found in many lines to a chunk of those that are frames."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.frames.batches import LATEST_NS, UNNAMED_CHANNEL
from canmap.frames.chunks import CLASSIC_WIDTH, FD_LENGTHS, FLAG_FD, FrameChunk, FrameKind
from canmap.frames.row import EXTENDED_LIMIT, STANDARD_LIMIT
from canmap.frames.source import MOST_CHANNELS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.frames.text.splitting import Field, Lines

_LEGAL_FD = np.isin(np.arange(65), FD_LENGTHS)


class Found(NamedTuple):
    """Frames that were found in n lines, as columns; names and units as those of `FrameChunk`.

    Attributes:
        lines: int64[n], indices of the lines.
        wrong: bool[n], lines that are to be read alone; nothing else counts there.
        t_ns: int64[n].
        channel: Where the name stands, None where the format has none.
        can_id: uint32[n].
        extended: bool[n].
        flags: uint8[n].
        length: int64[n].
        payload: uint8[n, 8 or 64].
        kind: uint8[n], or the `FrameKind` of all.
    """

    lines: NDArray[np.intp]
    wrong: NDArray[np.bool_]
    t_ns: NDArray[np.int64]
    channel: Field | None
    can_id: NDArray[np.uint32]
    extended: NDArray[np.bool_]
    flags: NDArray[np.uint8]
    length: NDArray[np.int64]
    payload: NDArray[np.uint8]
    kind: NDArray[np.uint8] | FrameKind = FrameKind.DATA

    def chunk(self, lines: Lines) -> FrameChunk:
        """Return those that can be on a bus; `line` is the index of the line."""
        fd = (self.flags & FLAG_FD) != 0
        kind = np.broadcast_to(np.uint8(self.kind), len(self.lines))
        wrong = self.wrong | (np.abs(self.t_ns) >= LATEST_NS)
        wide_id = self.extended | (kind == FrameKind.ERROR)
        wrong |= self.can_id > np.where(wide_id, EXTENDED_LIMIT, STANDARD_LIMIT)
        wrong |= fd & (kind == FrameKind.REMOTE)
        wrong |= np.where(fd, ~_LEGAL_FD[self.length], self.length > CLASSIC_WIDTH)
        names: tuple[str, ...] = (UNNAMED_CHANNEL,)
        number = np.zeros(len(self.lines), np.intp)
        if self.channel is not None:
            names, number, odd = lines.names(self.channel, wrong)
            wrong |= odd | (number >= MOST_CHANNELS)
        found = FrameChunk(
            channels=names[:MOST_CHANNELS],
            t_ns=self.t_ns,
            channel=number.astype(np.uint8),
            can_id=self.can_id,
            extended=self.extended,
            kind=kind,
            flags=self.flags,
            length=self.length.astype(np.uint8),
            payload=self.payload,
            line=self.lines.astype(np.int64, copy=False),
        )
        return found.take(~wrong) if wrong.any() else found


def error_frames(
    lines: NDArray[np.intp], wrong: NDArray[np.bool_], t_ns: NDArray[np.int64], channel: Field | None
) -> Found:
    """Return error frames of which no more is stated."""
    count = len(lines)
    return Found(
        lines=lines,
        wrong=wrong,
        t_ns=t_ns,
        channel=channel,
        can_id=np.zeros(count, np.uint32),
        extended=np.zeros(count, np.bool_),
        flags=np.zeros(count, np.uint8),
        length=np.zeros(count, np.int64),
        payload=np.zeros((count, CLASSIC_WIDTH), np.uint8),
        kind=FrameKind.ERROR,
    )
