"""The only loop of the package: a source's pieces through the engine, step by step to whoever asks.

Reading a file prepares chunks on a pool of threads while they are folded in order; a live source and a paced
replay are prepared and folded piece by piece. Nothing else knows which it is.
"""

from __future__ import annotations

import contextlib
import signal
from typing import TYPE_CHECKING

from canmap.base.errors import CaptureError
from canmap.base.words import times
from canmap.checks.recording.bad_lines import BadLineCheck

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canmap.engine.engine import Engine
    from canmap.engine.intake import Intake, T
    from canmap.signals.prepared import Prepared
    from canmap.stream.sink import Step
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

    @contextlib.contextmanager
    def shield(self) -> Iterator[None]:
        """Let what is in hand be finished before Ctrl-C ends a wait."""
        busy, asked = self._busy, self.asked
        self._busy = True
        try:
            yield
        finally:
            self._busy = busy
        if self.asked and not (busy or asked):
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


def steps_of(
    intake: Intake, engine: Engine, pace: Pace | None = None, stop: StopRequest | None = None
) -> Iterator[Step]:
    """Bring a whole source through the engine; yield what every chunk led to, and last what the end led to.

    Without any frame there is no end to judge: whoever needs one asks `require_frames`.

    Args:
        intake: The source.
        engine: A fresh engine.
        pace: Hands the frames on as they were recorded; without it they come as fast as they can be read.
        stop: Ends it before its time; what came until then is judged as if it were all.

    Raises:
        KeyboardInterrupt: `stop` came before any frame.
        CaptureError: The source cannot be read.
    """
    prepared: Iterable[Prepared]
    if pace is None:
        prepared = intake.prepared(engine)
    else:
        engine.between = pace.do_what_is_due
        prepared = engine.prepared(piece for chunk in intake.chunks() for piece in pace.chunks(chunk))
    if stop is None:
        for chunk in prepared:
            yield engine.fold(chunk)
    else:
        if pace is not None:
            pace.shield = stop.shield
        with stop.listening():
            for chunk in stop.until(prepared):
                yield engine.fold(chunk)
    if engine.frames:
        yield engine.finish()
    elif stop is not None and stop.asked:
        raise KeyboardInterrupt


def require_frames(intake: Intake, engine: Engine) -> None:
    """Check that a source that came to its end held a frame.

    Raises:
        CaptureError: It did not.
    """
    if not engine.frames:
        raise CaptureError(_no_frame(intake, engine))


def _no_frame(intake: Intake, engine: Engine) -> str:
    names = ", ".join(intake.source.captures)
    if outside := intake.window.nothing_inside():
        return f"{names} {outside}"
    bad_lines = engine.check(BadLineCheck)
    first = next(iter(bad_lines.findings()), None)
    if first is None:
        return f"{names} holds no frame; give another capture, or a wider span of time."
    lines = f": none of {times(bad_lines.count, 'line')} can be read" if bad_lines.count else ""
    return f"{names} holds no frame{lines}. {first.text}"
