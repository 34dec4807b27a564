"""Frames, text formats: lines of the usual form of a format, to columns all at once.

In: what a regular expression found in each line, by the names of its groups. Out: the columns, and which
lines are odd after all and have to be read alone. Groups: `whole` and `part` of the stamp, `channel`, `id`,
`mark` (of an extended identifier), `way` (R or T), `length`, and `data`, pairs of hexadecimal digits parted
by one blank.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.chunks import CLASSIC_WIDTH, FLAG_RECEIVED, FLAG_SENT, FrameChunk, FrameKind
from canmap.frames.batches import LATEST_NS, NS, UNNAMED_CHANNEL
from canmap.frames.textblock import MOST_CHANNELS
from canmap.frames.textline import EXTENDED_LIMIT, STANDARD_LIMIT

if TYPE_CHECKING:
    import re
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

_WAYS = {"R": FLAG_RECEIVED, "T": FLAG_SENT}


class Usual(NamedTuple):
    """The usual form of a classic data frame in some format.

    Attributes:
        form: Matches a whole line, and in many lines those that it matches; empty where a group is not there.
        start_ns: Added to every stamp.
        unit_ns: What a stamp counts.
        extended_from: Digits of an identifier from which on it is extended; 0 where a mark tells that.
        payload: Payload of each line, as bytes.
    """

    form: re.Pattern[str]
    start_ns: int
    unit_ns: int = NS
    extended_from: int = 0
    payload: Callable[[Sequence[str]], list[bytes] | None] | None = None

    def columns(
        self, found: list[tuple[str, ...]], lines: NDArray[np.int64]
    ) -> tuple[FrameChunk, NDArray[np.bool_]]:
        """Return what was found in lines as a chunk with a row for each, and which rows are odd, bool[n]."""
        told = dict(zip(self.form.groupindex, zip(*found, strict=True), strict=True))
        count = len(found)
        t_ns, odd = self._stamps(told["whole"], told.get("part"))
        can_id, extended = self._identifiers(told["id"], told.get("mark"))
        odd |= can_id > np.where(extended, EXTENDED_LIMIT, STANDARD_LIMIT)
        names = list(dict.fromkeys(told.get("channel") or (UNNAMED_CHANNEL,)))
        numbers = {name: min(number, MOST_CHANNELS) for number, name in enumerate(names)}
        channel = np.array([numbers[name] for name in told.get("channel") or (UNNAMED_CHANNEL,) * count])
        odd |= channel >= MOST_CHANNELS
        payload, length, wrong = self._payload(told["data"], told["length"])
        way = told.get("way")
        flags = np.array([_WAYS[word] for word in way], np.uint8) if way else np.zeros(count, np.uint8)
        chunk = FrameChunk(
            channels=tuple(names[:MOST_CHANNELS]),
            t_ns=t_ns,
            channel=channel.astype(np.uint8),
            can_id=np.where(odd, 0, can_id).astype(np.uint32),
            extended=extended,
            kind=np.full(count, FrameKind.DATA, np.uint8),
            flags=flags,
            length=length,
            payload=payload,
            line=lines,
        )
        return chunk, odd | wrong

    def _stamps(
        self, whole: Sequence[str], part: Sequence[str] | None
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        units = np.array(list(map(int, whole)), np.float64 if max(map(len, whole)) > 15 else np.int64)
        odd = np.asarray(np.abs(units) * float(self.unit_ns) > LATEST_NS - abs(self.start_ns))
        t_ns = np.where(odd, 0, units).astype(np.int64) * self.unit_ns + self.start_ns
        if part is not None:
            digits = set(map(len, part))
            if len(digits) > 1 or max(digits) > 9:
                part = [text.ljust(9, "0")[:9] for text in part]
                digits = {9}
            step = 10 ** digits.pop()
            t_ns += np.array([int(text or 0) for text in part], np.int64) * self.unit_ns // step
        return t_ns, odd

    def _identifiers(
        self, texts: Sequence[str], marks: Sequence[str] | None
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        values = {text: int(text, 16) for text in set(texts)}
        can_id = np.array([values[text] for text in texts], np.int64)
        if marks is not None:
            return can_id, np.array([bool(mark) and mark != "0" for mark in marks], np.bool_)
        return can_id, np.array([len(text) >= self.extended_from for text in texts], np.bool_)

    def _payload(
        self, data: Sequence[str], lengths: Sequence[str]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_]]:
        """Return payload and length, and where the two disagree."""
        length = np.minimum(np.array([int(text, 16) for text in lengths], np.int64), CLASSIC_WIDTH)
        payload = np.zeros((len(data), CLASSIC_WIDTH), np.uint8)
        if self.payload is None:
            joined = bytes.fromhex("".join(data))
            written = (np.array(list(map(len, data)), np.int64) + 1) // 3
        else:
            parts = self.payload(data)
            if parts is None:
                return payload, length.astype(np.uint8), np.ones(len(data), np.bool_)
            joined = b"".join(parts)
            written = np.array(list(map(len, parts)), np.int64)
        wrong = np.asarray(written != length)
        if not wrong.any():
            payload[np.arange(CLASSIC_WIDTH) < length[:, None]] = np.frombuffer(joined, np.uint8)
            return payload, length.astype(np.uint8), wrong
        starts = np.cumsum(written) - written
        place = starts[:, None] + np.arange(CLASSIC_WIDTH)
        padded = np.frombuffer(joined + bytes(CLASSIC_WIDTH), np.uint8)
        inside = np.arange(CLASSIC_WIDTH) < np.where(wrong, 0, length)[:, None]
        payload[inside] = padded[place[inside]]
        return payload, length.astype(np.uint8), wrong
