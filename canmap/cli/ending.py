"""The signals that end the program, as an exception that arrives.

An exception that a signal raises comes wherever the program is at that moment, and may get lost there: while
a module is imported, for one, Python drops what is raised in its own callbacks. So it is raised again and
again, until the front door has it. Little is imported here: this stands before all else.
"""

from __future__ import annotations

import signal
import sys

TYPE_CHECKING = False  # typing takes its time
if TYPE_CHECKING:
    from types import FrameType
    from typing import Any

ENDING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
AGAIN_S = 0.3  # enough to take away what is half written


class EndingSignal:
    """Whether the program is to end.

    Attributes:
        asked: The signal that asked for it first, 0 for none; the later ones change nothing.
    """

    def __init__(self) -> None:
        self.asked = 0
        self._at_the_door = False
        self._hook = sys.unraisablehook

    def listen(self) -> None:
        """Take the signals from here on, but for those that are ignored, as nohup does and means it."""
        for number in (*ENDING_SIGNALS, signal.SIGALRM):
            if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
                signal.signal(number, self._came)
        sys.unraisablehook = self._lost

    def _lost(self, what: Any) -> None:
        """Pass on what Python says of an exception that it drops, but for one of ours, which comes again."""
        if not (self.asked and isinstance(what.exc_value, type(self.error()))):
            self._hook(what)

    def _came(self, number: int, _frame: FrameType | None) -> None:
        again = number == signal.SIGALRM
        if self._at_the_door or again != bool(self.asked):
            return
        self.asked = self.asked or number
        signal.setitimer(signal.ITIMER_REAL, AGAIN_S)
        raise self.error()

    def error(self) -> BaseException:
        """Return what is raised for the signal that came."""
        return KeyboardInterrupt() if self.asked == signal.SIGINT else SystemExit(128 + self.asked)

    def arrived(self) -> None:
        """Raise nothing any more: whoever runs the program knows."""
        self._at_the_door = True
        signal.setitimer(signal.ITIMER_REAL, 0)
        sys.unraisablehook = self._hook
