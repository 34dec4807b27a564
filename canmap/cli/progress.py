"""How far a command has come, with rate and time left, on standard error while that is a terminal."""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

    from canmap.engine.engine import Engine, Step
    from canmap.engine.intake import Intake
    from canmap.mapping.model import Spec

EVERY_S = 0.2
FIRST_S = 0.5  # what is done sooner needs no progress


class Progress:
    """One line that is written over and taken away at the end.

    Args:
        in_part: Only a part of the captures is wanted.
    """

    def __init__(self, *, in_part: bool = False) -> None:
        self._active = sys.stderr.isatty()
        self._intake: Intake | None = None
        self._in_part = in_part
        self._began_s = self._next_s = 0.0
        self._shown = False

    def __enter__(self) -> Self:
        self._began_s = time.monotonic()
        self._next_s = self._began_s + FIRST_S
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def listener(self, _spec: Spec, intake: Intake) -> Callable[[Engine, Step], None]:
        """Return what is to be told of every step of a run that reads `intake`."""
        self._intake = intake
        return self._step

    def _step(self, engine: Engine, _step: Step) -> None:
        """Show where the engine is, if it is time to."""
        if not self._active or time.monotonic() < self._next_s:
            return
        now_s = time.monotonic()
        self._next_s = now_s + EVERY_S
        self._shown = True
        taken_s = now_s - self._began_s
        recorded_s = (engine.session.now_ns - (engine.session.start_ns or 0)) / 1e9
        text = f"{engine.frames:,} frames, {recorded_s:,.0f} s of recording"
        text += f", {engine.frames / taken_s / 1e6:.1f} million frames a second"
        done, total = self._intake.reached if self._intake else (0, None)
        # A small file is read whole for its first frames, and of a part that is wanted nobody knows where it
        # ends: there the bytes tell nothing of the share that is done.
        if total and 0 < done < total and not self._in_part:
            text = f"{done / total:4.0%}  {text}, {taken_s * (total - done) / done:.0f} s left"
        width = os.get_terminal_size(sys.stderr.fileno()).columns
        sys.stderr.write(f"\r{text[: width - 1]}\x1b[K")
        sys.stderr.flush()
