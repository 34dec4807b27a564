"""A source through the first half of the engine: its chunks prepared, in order.

A file is read ahead, its pieces parsed and prepared on a pool of threads, and by whoever would else wait for
them. A live source is not: each piece is prepared as soon as it is there, by whoever asks for it.
"""

from __future__ import annotations

import os
from collections import deque
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from canmap.base.memory import keep_freed_memory
from canmap.base.threads import Job, Pool
from canmap.frames.window import Window

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canmap.engine.engine import Engine
    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import FrameSource, Piece, Reached
    from canmap.signals.before import Before
    from canmap.signals.prepared import Prepared


T = TypeVar("T")


# Whoever folds helps, so that on two cores one is enough. A third thread there costs more than it brings, as
# they wait for the interpreter's lock and hand it on at every step.
WORKERS = 2 if (os.cpu_count() or 1) > 2 else 1


AHEAD = 4  # pieces in flight


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
        self._parsing = deque(map(self._begin, islice(self._pieces, 0 if source.live else AHEAD)))

    def _begin(self, task: Callable[[], T]) -> Job[T]:
        job = Job(task)
        self._pool.submit(job.do)
        return job

    def _noted(self) -> Iterator[Piece]:
        """Yield the pieces, and note what was read for each."""
        for piece in self.source.pieces():
            self._read.append(self.source.progress())
            yield piece

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the chunks in order."""
        if self.source.live:
            return self.window.cut(self._as_they_come())
        return self.window.cut(self._results(self._parsing, lambda piece: piece))

    def prepared(self, engine: Engine) -> Iterator[Prepared]:
        """Yield the chunks in order, prepared by `engine`."""
        if self.source.live:
            return engine.prepared(self.chunks())
        turns = _Turns(engine)
        if not self.window.is_whole:  # which frames are in it is known in order only
            return self._prepared_in_order(turns)
        parsed, self._parsing = self._parsing, deque()
        waiting = deque(self._begin(turns.task(job.result)) for job in parsed)
        return self._results(waiting, turns.task)

    def _prepared_in_order(self, turns: _Turns) -> Iterator[Prepared]:
        waiting: deque[Job[Prepared]] = deque()
        for chunk in self.chunks():
            waiting.append(self._begin(turns.task(partial(_itself, chunk))))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()

    def _as_they_come(self) -> Iterator[FrameChunk]:
        for piece in self._pieces:
            self.reached = self._read.popleft()
            yield piece()

    def _results(self, waiting: deque[Job[T]], task_of: Callable[[Piece], Callable[[], T]]) -> Iterator[T]:
        """Yield the results of what waits, and of the task that is made of every piece still to come."""
        while waiting:
            while not waiting[0].is_done() and any(job.do() for job in waiting):
                pass  # help with what nobody has begun
            result = waiting.popleft().result()
            waiting.extend(self._begin(task_of(piece)) for piece in islice(self._pieces, 1))
            self.reached = self._read.popleft()
            yield result

    def close(self) -> None:
        """Stop reading."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self.source.close()


class _Turns:
    """Prepares pieces, each with what is to be known of those before it.

    Whoever needs that works it out, unless somebody has begun, so that nobody waits for a piece that waits.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._before: Job[Before] = Job(lambda: engine.start)

    def task(self, piece: Callable[[], FrameChunk]) -> Callable[[], Prepared]:
        """Return what parses and prepares the next piece."""
        engine, before = self._engine, self._before
        decoded = Job(lambda: engine.decode(piece()))
        self._before = Job(lambda: engine.after(decoded.result(), before.result()))
        return lambda: engine.prepare(decoded.result(), before.result())


def _itself(chunk: FrameChunk) -> FrameChunk:
    return chunk
