"""Frames: several captures to one session.

In: sources, in the order of the user's arguments. Out: pieces whose frames are merged by the running maximum
of each capture's stamps, ties by the order of the arguments, the order within a capture always kept; and
what was covered when. Of each capture, a few parsed chunks are held.
"""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import replace
from functools import partial
from pathlib import PurePath
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canmap.base.errors import CaptureError
from canmap.base.threads import Pool
from canmap.frames.chunks import BadLine, FrameChunk, empty_chunk, join
from canmap.frames.coverage import CoverageBook
from canmap.frames.session import SessionClock
from canmap.frames.source import MOST_BAD_LINES, MOST_CHANNELS
from canmap.frames.unread import NO_FRAME

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Future

    from numpy.typing import NDArray

    from canmap.frames.source import FrameSource, Piece, Reached

PARSE_THREADS = 2
PARSED_AHEAD = 2  # chunks of each capture that has begun
ZERO_BASED_BELOW_NS = 100_000_000 * 1_000_000_000  # 1e8 s; as an absolute stamp that is March 1973


class MergedCaptures:
    """Several captures as one `FrameSource`."""

    live = False

    def __init__(self, sources: Sequence[FrameSource]) -> None:
        self.captures = tuple(name for source in sources for name in source.captures)
        self._sources = sources
        self._inputs: list[_Input] = []

    def progress(self) -> Reached:
        """Return how much of all captures was read for the frames handed on so far.

        How much there is cannot be known of captures of several kinds: frames take more bytes in one than in
        the other.
        """
        parts = [one.reached for one in self._inputs]
        totals = [total for _, total in parts if total is not None]
        alike = len(totals) == len(parts) and len({PurePath(name).suffix for name in self.captures}) == 1
        return sum(done for done, _ in parts), sum(totals) if alike else None

    def pieces(self) -> Iterator[Piece]:
        """Yield the merged chunks, in order; only once.

        Raises:
            CaptureError: Captures that count from zero are mixed with absolute ones, or one is unusable.
        """
        with Pool(PARSE_THREADS, "merge") as pool:
            inputs = [_Input(number, source, pool) for number, source in enumerate(self._sources)]
            self._inputs = inputs
            try:
                for chunk in _Merge(inputs).chunks():
                    yield partial(_same, chunk)
            finally:
                for one in inputs:
                    one.cancel()
                self.close()

    def close(self) -> None:
        """Let go of all captures."""
        for source in self._sources:
            source.close()


def _same(chunk: FrameChunk) -> FrameChunk:
    return chunk


class _Part(NamedTuple):
    """Frames of one capture, and the running maximum of its stamps at each, int64[n]."""

    capture: int
    frames: FrameChunk
    key: NDArray[np.int64]


class _Input:
    """One capture: its next frames, parsed ahead.

    Attributes:
        number: Its place in the user's arguments.
        name: Its name.
        head: Frames not yet handed on, at least one; None at the end of the capture.
        begun: Whether a frame was handed on.
        reached: What was read for the chunks that are handed on whole, and how much there is.
    """

    def __init__(self, number: int, source: FrameSource, pool: Pool) -> None:
        self.number = number
        self.name = source.captures[0]
        self.head: _Part | None = None
        self.begun = False
        self._newest = np.empty(0, np.int64)  # the running maximum so far, once there is one
        self.reached: Reached = (0, None)
        self._loaded: Reached = (0, None)  # the same of the head too
        self._source = source
        self._pieces = source.pieces()
        self._pool = pool
        self._ahead: deque[tuple[Future[FrameChunk], Reached]] = deque()
        self._submit(1)

    def _submit(self, most: int) -> None:
        while len(self._ahead) < most:
            piece = next(self._pieces, None)
            if piece is None:
                return
            self._ahead.append((self._pool.submit(piece), self._source.progress()))

    def cancel(self) -> None:
        """Drop what was parsed ahead."""
        for future, _ in self._ahead:
            future.cancel()

    def load(self) -> list[FrameChunk]:
        """Make the next frames the head; return chunks passed on the way that hold bad lines only."""
        frameless = []
        self.head = None
        while self.head is None:
            self.reached = self._loaded
            self._submit(PARSED_AHEAD if self.begun else 1)
            if not self._ahead:
                break
            future, (done, total) = self._ahead.popleft()
            self._loaded, self.reached = (done, total), (self.reached[0], total)
            chunk = future.result()
            if len(chunk):
                stamps = np.concatenate([self._newest, chunk.t_ns])
                key = np.maximum.accumulate(stamps)[len(self._newest) :]
                self._newest = key[-1:]
                self.head = _Part(self.number, chunk, key)
            elif chunk.bad_count:
                frameless.append(chunk)
        return frameless

    def take_until(self, limit_ns: int, last: int) -> _Part:
        """Hand on the frames up to `limit_ns`; those at it only if this capture is not after the `last`.

        There must be one. What the capture holds beyond them stays its head.
        """
        if self.head is None:
            raise ValueError(f"{self.name} has no frames")
        _, frames, key = self.head
        count = int(np.searchsorted(key, limit_ns, side="right" if self.number <= last else "left"))
        if count == len(key):
            part, self.head = self.head, None
            return part
        taken, left = frames.split([count])
        self.head = _Part(self.number, left, key[count:])
        return _Part(self.number, taken, key[:count])


class _Merge:
    """The merging of some inputs, with the book of what they cover.

    Of each input with frames, one entry is in a heap by the first of its frames, and one by the last, so that
    a round asks only the inputs that take part in it, however many there are.
    """

    def __init__(self, inputs: list[_Input]) -> None:
        self._inputs = inputs
        self._book = CoverageBook()
        self._session = SessionClock()
        self._by_first: list[tuple[int, int]] = []
        self._by_last: list[tuple[int, int]] = []

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield merged chunks.

        One begins where a capture begins and where it shows a channel, and one ends where a capture does.
        """
        passed = [(one, one.load()) for one in self._inputs]
        any_frame = any(one.head for one in self._inputs)
        for one, bad in passed:
            nothing = [_nothing_in(one.name)] if any_frame and not (bad or one.head) else []
            yield from self._covered(bad or nothing)
            self._push(one)
        _check_same_clock(self._inputs)
        while self._by_last:
            # Up to here nothing earlier can follow: what this capture has next, it has after that.
            limit_ns, last = heapq.heappop(self._by_last)
            yield from self._merged(self._take(limit_ns, last))
            ended = self._inputs[last]
            frameless = ended.load()
            if ended.head is None:
                self._book.end(last, self._session.now_ns)
            self._push(ended)
            yield from self._covered(frameless)

    def _push(self, one: _Input) -> None:
        if one.head is not None:
            heapq.heappush(self._by_first, (int(one.head.key[0]), one.number))
            heapq.heappush(self._by_last, (int(one.head.key[-1]), one.number))

    def _take(self, limit_ns: int, last: int) -> list[_Part]:
        """Return what comes up to the last frame of the head of the input `last`, in the inputs' order."""
        numbers = []
        while self._by_first and self._by_first[0] <= (limit_ns, last):
            numbers.append(heapq.heappop(self._by_first)[1])
        parts = []
        for number in sorted(numbers):
            one = self._inputs[number]
            parts.append(one.take_until(limit_ns, last))
            if one.head is not None:
                heapq.heappush(self._by_first, (int(one.head.key[0]), number))
        return parts

    def _covered(self, chunks: list[FrameChunk]) -> Iterator[FrameChunk]:
        for chunk in chunks:
            yield replace(chunk, coverage=self._book.coverage())

    def _merged(self, parts: list[_Part]) -> Iterator[FrameChunk]:
        key = np.concatenate([part.key for part in parts])
        capture = np.repeat([part.capture for part in parts], [len(part.key) for part in parts])
        order = np.argsort(key, kind="stable")
        self._check_channels(parts)
        chunk = _interleaved(parts, order)
        clock = self._session.advance(chunk.t_ns)
        news = self._news(capture[order], chunk, parts)
        bounds = [0, *sorted({first for first, _, _ in news} - {0}), len(chunk)]
        for start, piece in zip(bounds, chunk.split(bounds[1:-1]), strict=False):
            for _, number, channel in (one for one in news if one[0] == start):
                if not self._inputs[number].begun:
                    self._inputs[number].begun = True
                    self._book.begin(number, int(clock[start]))
                self._book.see(number, channel)
            yield replace(piece, coverage=self._book.coverage())

    def _news(
        self, capture: NDArray[np.intp], chunk: FrameChunk, parts: list[_Part]
    ) -> list[tuple[int, int, str]]:
        """Return the first frame, capture and channel, of channels that captures have not shown before."""
        known = {
            part.capture: {name for name in chunk.channels if self._book.has_seen(part.capture, name)}
            for part in parts
            if self._inputs[part.capture].begun
        }
        news = []
        for part in parts:
            numbers = np.flatnonzero(np.bincount(part.frames.channel))
            for name in {part.frames.channels[number] for number in numbers} - known.get(part.capture, set()):
                shown = (capture == part.capture) & (chunk.channel == chunk.channels.index(name))
                news.append((int(shown.argmax()), part.capture, name))
        return sorted(news)

    def _check_channels(self, parts: list[_Part]) -> None:
        if len({channel for part in parts for channel in part.frames.channels}) > MOST_CHANNELS:
            names = ", ".join(self._inputs[part.capture].name for part in parts)
            raise CaptureError(f"{names}: they hold over {MOST_CHANNELS} channels; read them separately.")


def _nothing_in(name: str) -> FrameChunk:
    """Return what tells of a capture without any line, readable or not: beside others, none would miss it."""
    return replace(empty_chunk(), bad=(BadLine(0, name, 0, NO_FRAME),), bad_count=1)


def _check_same_clock(inputs: list[_Input]) -> None:
    """Refuse captures that count from zero beside absolute ones: their order cannot be known."""
    zero_based: dict[bool, str] = {}
    for one in inputs:
        if one.head is not None:
            zero_based.setdefault(int(one.head.key[-1]) < ZERO_BASED_BELOW_NS, one.name)
    if len(zero_based) == 2:
        raise CaptureError(
            f"{zero_based[True]}: its stamps count from zero, but those of {zero_based[False]} are absolute; "
            "read the two separately."
        )


def _interleaved(parts: list[_Part], order: NDArray[np.intp]) -> FrameChunk:
    """Return the frames of the parts, put one after the other, in `order`; bad lines keep their place."""
    if len(parts) == 1:
        return parts[0].frames
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    bad: list[BadLine] = []
    before = 0
    for part in parts:
        count = len(part.key)
        for line in part.frames.bad:
            inside = line.position < count
            position = int(place[before + line.position]) if inside else int(place[before + count - 1]) + 1
            bad.append(replace(line, position=position))
        before += count
    bad.sort(key=lambda line: line.position)
    return replace(
        join(part.frames for part in parts).take(order),
        bad=tuple(bad[:MOST_BAD_LINES]),
        bad_count=sum(part.frames.bad_count for part in parts),
    )
