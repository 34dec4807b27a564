"""Frames: what a source of frames is, and reading ahead in a thread of its own.

In: captures. Out: pieces of work in order, each of which returns one `FrameChunk` in whatever thread it is
called. So the reading stays in order, and the parsing need not.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Generator, Iterator
from typing import Generic, Protocol, TypeVar

from canmap.base.threads import start_daemon
from canmap.frames.chunks import FrameChunk

MOST_BAD_LINES = 100  # listed per chunk; all are counted
MOST_CHANNELS = 256  # of a chunk: what one byte can number

Item = TypeVar("Item")
Piece = Callable[[], FrameChunk]
Reached = tuple[int, int | None]  # bytes read so far, and how many there are if that is known
Progress = Callable[[], Reached]


class FrameSource(Protocol):
    """Where frames come from."""

    @property
    def live(self) -> bool:
        """Whether frames come as they happen: then a piece is asked for only when the one before is done."""
        ...

    @property
    def captures(self) -> tuple[str, ...]:
        """Names of the captures, as the user gave them."""
        ...

    def progress(self) -> Reached:
        """Return the bytes read for the pieces yielded so far and how many there are; None if unknown."""
        ...

    def pieces(self) -> Iterator[Piece]:
        """Yield the pieces in order, once; a piece is pure and may run in any thread.

        Both this and a piece raise `CaptureError` when the capture cannot be used.
        """
        ...

    def close(self) -> None:
        """Let go of files and threads; more than once does no harm."""
        ...


class ItemsEnd:
    """Stands behind the last item, with what ended the items if that was a failure."""

    def __init__(self, error: BaseException | None) -> None:
        self._error = error

    def tell(self) -> None:
        """Raise the failure, if it was one."""
        if self._error is not None:
            raise self._error


class ReadAhead(Generic[Item]):
    """Takes items from a generator in a thread, one ahead of the one who uses them.

    Args:
        items: Where they come from.
        progress: Tells how much has been read; asked in the thread, when an item is there.

    Attributes:
        reached: What `progress` returned for the item handed on last.
    """

    def __init__(self, items: Generator[Item, None, None], progress: Progress) -> None:
        self.reached: Reached = (0, None)
        self._items = items
        self._progress = progress
        self._queue: queue.Queue[tuple[Item, Reached] | ItemsEnd] = queue.Queue(1)
        self._stopped = threading.Event()
        # A daemon, because it may be waiting for input that never comes when the program ends.
        start_daemon(self._run, "read ahead")

    def _run(self) -> None:
        error: BaseException | None = None
        try:
            for item in self._items:
                self._queue.put((item, self._progress()))
                if self._stopped.is_set():
                    return
        except BaseException as failure:  # raised again where the items are used
            error = failure
        finally:
            self._items.close()
        self._queue.put(ItemsEnd(error))

    def __iter__(self) -> Iterator[Item]:
        while not self._stopped.is_set():
            item = self._queue.get()
            if isinstance(item, ItemsEnd):
                self._stopped.set()
                item.tell()
                return
            given, self.reached = item
            yield given

    def close(self) -> None:
        """Stop taking items; the thread ends as soon as the generator lets it."""
        self._stopped.set()
        with contextlib.suppress(queue.Empty):
            while True:  # so that the thread, if it waits for room, comes to see that it is to stop
                self._queue.get_nowait()
