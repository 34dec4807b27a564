"""A key of the terminal while a command runs: space to pause and to go on."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import termios
import time
from typing import TYPE_CHECKING, Any, Self

from canmap.cli.printing import print_line

if TYPE_CHECKING:
    from types import FrameType, TracebackType

SPACE = b" "


class PauseKey:
    """Whether a command is to stand still, which a press of space changes; a context.

    While it lasts, the terminal hands on keys at once and does not show them; when it ends, and while the
    program is suspended (Ctrl-Z), the terminal is as it was. Ctrl-C stays what it is. Where standard input is
    no terminal, or belongs to another program because this one runs in the background, no key is read.

    Args:
        wanted: False where standard input is used otherwise.

    Attributes:
        suspended_s: How long the program was suspended so far.
    """

    def __init__(self, *, wanted: bool = True) -> None:
        self._wanted = wanted
        self._before: list[Any] | None = None  # settings of the terminal, while they are changed
        self._suspended_before: Any = None
        self._paused = False
        self.suspended_s = 0.0

    def __enter__(self) -> Self:
        if self._wanted and _is_ours():
            try:
                self._suspended_before = signal.signal(signal.SIGTSTP, self._suspend)
                self._take()
                print_line("space pauses and goes on; Ctrl-C ends", to_stderr=True)
            except BaseException:  # a signal too
                self._put_back()
                raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._put_back()
        if self._suspended_before is not None:
            signal.signal(signal.SIGTSTP, self._suspended_before)

    def paused(self) -> bool:
        """Return whether it is to stand still now; reads the keys that were pressed, and never waits."""
        if self._before is None or not _is_ours():
            return self._paused
        while select.select([0], [], [], 0)[0]:
            try:
                keys = os.read(0, 64)
            except OSError:
                keys = b""
            if not keys:  # the terminal has gone
                self._before = None
                break
            if keys.count(SPACE) % 2:
                self._paused = not self._paused
                print_line("paused; space goes on" if self._paused else "goes on", to_stderr=True)
        return self._paused

    def _take(self) -> None:
        settings = termios.tcgetattr(0)
        changed = [*settings[:3], settings[3] & ~(termios.ICANON | termios.ECHO), *settings[4:]]
        self._before = settings  # first: a signal may come in between
        termios.tcsetattr(0, termios.TCSANOW, changed)

    def _put_back(self) -> None:
        if self._before is not None:
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(0, termios.TCSANOW, self._before)
            self._before = None

    def _suspend(self, _number: int, _frame: FrameType | None) -> None:
        """Stop as without us, with the terminal as it was, and take the terminal again afterwards."""
        taken = self._before is not None
        self._put_back()
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        since_s = time.monotonic()
        os.kill(os.getpid(), signal.SIGTSTP)
        self.suspended_s += time.monotonic() - since_s
        signal.signal(signal.SIGTSTP, self._suspend)
        if taken and _is_ours():
            self._take()


def _is_ours() -> bool:
    """Whether standard input is a terminal from which this program, and no other, may read."""
    try:
        return sys.stdin is not None and os.isatty(0) and os.tcgetpgrp(0) == os.getpgrp()
    except (OSError, ValueError):
        return False
