"""Frames as they come: what threads hand in is gathered for a moment, and handed on without reading ahead.

Who asks for a piece waits for a frame, and then 2 ms for more: long enough for a busy bus to cost little, as
a chunk costs nearly the same for few frames, and short enough to be live. The 2 ms count from when the frame
is taken, not from when it came: else a busy bus, on which one always waits, would have more and smaller
chunks, for a third more of a core. Whoever falls behind finds more waiting and catches up.
"""

from __future__ import annotations

import queue
import time
from functools import partial
from typing import TYPE_CHECKING, Generic

from canmap.frames.source import Item, ItemsEnd

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import Piece, Reached

GATHER_S = 0.002


class LiveFrames(Generic[Item]):
    """A live `FrameSource` that threads hand items to: messages of a bus, or chunks.

    Nothing is lost and no thread waits when more comes than is used: the queue has no bound. Whoever hands in
    also tells that nothing came, with an item that makes an empty chunk with its coverage; so silence shows
    while it lasts.

    Args:
        name: What messages call it.
        make: Makes a chunk of items, in order, at least one: `join` where they are chunks.
    """

    live = True

    def __init__(self, name: str, make: Callable[[Sequence[Item]], FrameChunk]) -> None:
        self.captures: tuple[str, ...] = (name,)
        self._make = make
        self._queue: queue.SimpleQueue[Item | ItemsEnd] = queue.SimpleQueue()

    def put(self, item: Item) -> None:
        """Hand in the next item; from any thread."""
        self._queue.put(item)

    def end(self, error: BaseException | None = None) -> None:
        """Say that no more comes; `error`, if that is a failure, is raised where the pieces are used."""
        self._queue.put(ItemsEnd(error))

    def pieces(self) -> Iterator[Piece]:
        """Yield a piece of what came, in order, 2 ms after the first of it is taken; only once."""
        while True:
            first = self._queue.get()
            if isinstance(first, ItemsEnd):
                first.tell()
                return
            time.sleep(GATHER_S)
            items, end = self._drained(first)
            yield partial(self._make, items)
            if end is not None:
                end.tell()
                return

    def _drained(self, first: Item) -> tuple[list[Item], ItemsEnd | None]:
        """An item with all that waits behind it, and the end if that does."""
        items = [first]
        while True:
            try:
                given = self._queue.get_nowait()
            except queue.Empty:
                return items, None
            if isinstance(given, ItemsEnd):
                return items, given
            items.append(given)

    def progress(self) -> Reached:
        """Return that it is not known how much there is."""
        return 0, None

    def close(self) -> None:
        """Let the pieces end."""
        self.end()
