"""The only loop of the package: a source's pieces through the engine to whoever listens.

Reading a file prepares chunks on a pool of threads while they are folded in order; a paced replay prepares
and folds piece by piece. Nothing else knows which it is.
"""

from __future__ import annotations

import contextlib
import signal
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from canmap.errors import CaptureError
from canmap.frames.window import Window
from canmap.memory import keep_freed_memory
from canmap.words import times

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from concurrent.futures import Future

    from canmap.chunks import FrameChunk
    from canmap.clock import Pace
    from canmap.engine import Engine, Step
    from canmap.frames.source import FrameSource, Piece
    from canmap.prepare import Prepared

T = TypeVar("T")

WORKERS = 2  # numpy holds the interpreter's lock for little of the time; more bring nothing on two cores
AHEAD = 6  # pieces in flight


class Intake:
    """Reads a source ahead on a pool of threads, from the moment it is made.

    Parsing can so begin before the spec is loaded.

    Args:
        source: Where the pieces come from.
        window: The part of it to use; all by default.
    """

    def __init__(self, source: FrameSource, window: Window | None = None) -> None:
        keep_freed_memory()
        self.source = source
        self.window = window or Window()
        self._pool = ThreadPoolExecutor(WORKERS, thread_name_prefix="canmap")
        self._pieces = source.pieces()
        self._parsing = deque(self._pool.submit(piece) for piece in islice(self._pieces, AHEAD))

    def chunks(self) -> Iterator[FrameChunk]:
        """Yield the chunks in order."""
        return self.window.cut(self._results(self._parsing, lambda piece: piece()))

    def prepared(self, engine: Engine) -> Iterator[Prepared]:
        """Yield the chunks in order, prepared by `engine`."""
        if not self.window.is_whole:  # which frames are in it is known in order only
            return self._prepared_in_order(engine)
        parsed, self._parsing = self._parsing, deque()
        waiting = deque(self._pool.submit(_prepare_parsed, engine, future) for future in parsed)
        return self._results(waiting, lambda piece: engine.prepare(piece()))

    def _prepared_in_order(self, engine: Engine) -> Iterator[Prepared]:
        waiting: deque[Future[Prepared]] = deque()
        for chunk in self.chunks():
            waiting.append(self._pool.submit(engine.prepare, chunk))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()

    def _results(self, waiting: deque[Future[T]], task: Callable[[Piece], T]) -> Iterator[T]:
        """Yield the results of what waits, and of `task` done with every piece that is still to come."""
        while waiting:
            result = waiting.popleft().result()
            waiting.extend(self._pool.submit(task, piece) for piece in islice(self._pieces, 1))
            yield result

    def close(self) -> None:
        """Stop reading."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self.source.close()


def _prepare_parsed(engine: Engine, parsed: Future[FrameChunk]) -> Prepared:
    return engine.prepare(parsed.result())


class Stop:
    """Ctrl-C as the end of a run: what came until then is judged. A second one ends the program.

    Attributes:
        asked: Whether it was pressed.
    """

    def __init__(self) -> None:
        self.asked = self._busy = False

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        """Take Ctrl-C while the block lasts; it must be of the main thread."""
        before = signal.signal(signal.SIGINT, self._ask)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)

    def _ask(self, _number: int, _frame: object) -> None:
        again, self.asked = self.asked, True
        if again or not self._busy:
            raise KeyboardInterrupt

    def until(self, chunks: Iterable[T]) -> Iterator[T]:
        """Yield chunks until it is pressed: at once while one is waited for, else after the one in hand."""
        iterator = iter(chunks)
        while not self.asked:
            try:
                chunk = next(iterator)
                self._busy = True
            except (KeyboardInterrupt, StopIteration):
                return
            yield chunk
            self._busy = False


def run(
    intake: Intake,
    engine: Engine,
    listen: Callable[[Step], None] | None = None,
    pace: Pace | None = None,
    stop: Stop | None = None,
) -> None:
    """Bring a whole source through the engine.

    Args:
        intake: The source, read ahead.
        engine: A fresh engine.
        listen: Gets what every chunk led to, and last what the end led to.
        pace: Hands the frames on as they were recorded; without it they come as fast as they can be read.
        stop: Ends it before its time; what came until then is judged as if it were all.

    Raises:
        KeyboardInterrupt: `stop` came before any frame.
        CaptureError: The source holds no frame, or cannot be read.
    """
    prepared: Iterable[Prepared]
    if pace is None:
        prepared = intake.prepared(engine)
    else:
        prepared = (engine.prepare(piece) for chunk in intake.chunks() for piece in pace.chunks(chunk))
    tell = listen or (lambda _step: None)
    for chunk in prepared if stop is None else stop.until(prepared):
        tell(engine.fold(chunk))
    if stop is not None and stop.asked and not engine.frames:
        raise KeyboardInterrupt
    if not engine.frames:
        raise CaptureError(_no_frame(intake, engine))
    tell(engine.finish())


def _no_frame(intake: Intake, engine: Engine) -> str:
    names = ", ".join(intake.source.captures)
    if outside := intake.window.nothing_inside():
        return f"{names} {outside}"
    first = next(iter(engine.lines.findings()), None)
    if first is None:
        return f"{names} holds no frame; give a capture that does, or a wider span of time."
    lines = f": none of {times(engine.lines.count, 'line')} can be read" if engine.lines.count else ""
    return f"{names} holds no frame{lines}. {first.text}"
