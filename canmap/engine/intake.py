"""A source through the first half of the engine: its chunks prepared, in order.

A file is read ahead, its pieces parsed and prepared on a pool of threads. A live source is not: each piece is
prepared as soon as it is there, by whoever asks for it.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from canmap.base.memory import keep_freed_memory
from canmap.base.threads import Pool
from canmap.frames.window import Window

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.engine.engine import Engine
    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import FrameSource, Piece, Reached
    from canmap.signals.before import Before
    from canmap.signals.prepared import Prepared


T = TypeVar("T")


WORKERS = 2  # numpy holds the interpreter's lock for little of the time; more bring nothing on two cores


AHEAD = 6  # pieces in flight


class Intake:
    """Reads a source, ahead on a pool of threads from the moment it is made, unless it is live.

    Parsing can so begin before the spec is loaded.

    Args:
        source: Where the pieces come from.
        window: The part of it to use; all by default.

    Attributes:
        reached: Bytes that were read for the pieces handed on so far and how many there are, None if that is
            unknown. What is read ahead of them does not count.
    """

    def __init__(self, source: FrameSource, window: Window | None = None) -> None:
        keep_freed_memory()
        self.source = source
        self.window = window or Window()
        self._pool = Pool(WORKERS, thread_name_prefix="canmap")
        self.reached: Reached = (0, None)
        self._read: deque[Reached] = deque()  # of each piece that is parsed or waits for it
        self._pieces = self._noted()
        self._parsing = deque(
            self._pool.submit(piece) for piece in islice(self._pieces, 0 if source.live else AHEAD)
        )

    def _noted(self) -> Iterator[Piece]:
        """Yield the pieces, and note what was read for each."""
        for piece in self.source.pieces():
            self._read.append(self.source.progress())
            yield piece

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the chunks in order."""
        parsed = self._as_they_come() if self.source.live else self._results(self._parsing, self._pool.submit)
        return self.window.cut(parsed)

    def prepared(self, engine: Engine) -> Iterator[Prepared]:
        """Yield the chunks in order, prepared by `engine`."""
        if self.source.live:
            return engine.prepared(self.chunks())
        turns = _Turns(engine, self._pool)
        if not self.window.is_whole:  # which frames are in it is known in order only
            return self._prepared_in_order(turns)
        parsed, self._parsing = self._parsing, deque()
        waiting = deque(turns.submit(future.result) for future in parsed)
        return self._results(waiting, turns.submit)

    def _prepared_in_order(self, turns: _Turns) -> Iterator[Prepared]:
        waiting: deque[Future[Prepared]] = deque()
        for chunk in self.chunks():
            waiting.append(turns.submit(partial(_itself, chunk)))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()

    def _as_they_come(self) -> Iterator[FrameChunk]:
        for piece in self._pieces:
            self.reached = self._read.popleft()
            yield piece()

    def _results(self, waiting: deque[Future[T]], submit: Callable[[Piece], Future[T]]) -> Iterator[T]:
        """Yield the results of what waits, and of every piece that is still to come once it is submitted."""
        while waiting:
            result = waiting.popleft().result()
            waiting.extend(map(submit, islice(self._pieces, 1)))
            self.reached = self._read.popleft()
            yield result

    def close(self) -> None:
        """Stop reading."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self.source.close()


class _Turns:
    """Prepares pieces on a pool, where each waits for what came before it.

    The pool begins with them in their order, so that what one waits for is done or being worked on. Whoever
    waits for one that fails or is given up is given up too.
    """

    def __init__(self, engine: Engine, pool: Pool) -> None:
        self._engine, self._pool = engine, pool
        self._before: Future[Before] = Future()
        self._before.set_result(engine.start)

    def submit(self, piece: Callable[[], FrameChunk]) -> Future[Prepared]:
        """Have the next piece parsed and prepared."""
        before = self._before
        after: Future[Before] = Future()
        task = self._pool.submit(self._prepare, piece, before, after)
        task.add_done_callback(lambda _: after.cancel())  # which does nothing to what is there
        self._before = after
        return task

    def _prepare(
        self, piece: Callable[[], FrameChunk], earlier: Future[Before], after: Future[Before]
    ) -> Prepared:
        decoded = self._engine.decode(piece())
        before = earlier.result()
        after.set_result(self._engine.after(decoded, before))
        return self._engine.prepare(decoded, before)


def _itself(chunk: FrameChunk) -> FrameChunk:
    return chunk
