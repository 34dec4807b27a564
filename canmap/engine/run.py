"""The only loop of the package: a source's pieces through the engine to whoever listens.

Reading a file prepares chunks on a pool of threads while they are folded in order; a paced replay prepares
and folds piece by piece. Nothing else knows which it is.
"""

from __future__ import annotations

import contextlib
import signal
from typing import TYPE_CHECKING

from canmap.base.errors import CaptureError
from canmap.base.words import times
from canmap.summaries.counts import FrameCount

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from canmap.engine.engine import Engine, Step
    from canmap.engine.intake import Intake, T
    from canmap.signals.prepared import Prepared
    from canmap.timing.pace import Pace


class StopRequest:
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
            except KeyboardInterrupt:
                self.asked = True
                return
            except StopIteration:
                return
            yield chunk
            self._busy = False


def run(
    intake: Intake,
    engine: Engine,
    listen: Callable[[Step], None] | None = None,
    pace: Pace | None = None,
    stop: StopRequest | None = None,
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
    if stop is None:
        for chunk in prepared:
            tell(engine.fold(chunk))
    else:
        with stop.listening():
            for chunk in stop.until(prepared):
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
    bad_lines = engine.result(FrameCount).bad_lines
    lines = f": none of {times(bad_lines, 'line')} can be read" if bad_lines else ""
    return f"{names} holds no frame{lines}. {first.text}"
