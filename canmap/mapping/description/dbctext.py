"""0. The text of a DBC: where its statements stand, and the mistakes that only the text shows.

In comes the mended text, out go the lines of messages and signals, so that every complaint can name one, and
the faults for which nothing of the file can be read.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.base.errors import Fault
from canmap.mapping.description.dbcstatements import TEXT

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_SIGNALS_IN_ALL = 50_000  # a few seconds
MOST_TEXTS = 150_000

_STRING_OR_COMMENT = re.compile(rf"{TEXT}|//[^\n]*")
_LAYOUT = re.compile(
    r"\bBO_\s+\d+\s+(?P<message>\w+)\s*:"
    r"|\bSG_\s+(?P<signal>\w+)(?:\s+(?P<marker>\w+))?\s*:\s*[-+]?\d+\s*\|\s*[-+]?\d+"
)


@dataclass(frozen=True, slots=True)
class SignalLine:
    """Where a signal is described: its short name, line and multiplexer marker ("" for none)."""

    name: str
    line: int
    marker: str


@dataclass(frozen=True, slots=True)
class MessageLine:
    """Where a message is described: its short name, line and signals."""

    name: str
    line: int
    signals: list[SignalLine]


class DbcText:
    """The text of a DBC and where its messages stand in it."""

    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.text = text
        self._line_starts = [0, *(found.end() for found in re.finditer("\n", text))]
        # Same length, strings and comments blanked: statements can be searched without reading those.
        self._bare = _STRING_OR_COMMENT.sub(_blank, text)
        self.messages = list(self._layout())

    def fault(self, line: int, text: str, column: int = 0) -> Fault:
        """Return a fault of this file."""
        return Fault(self.path, line, column, text)

    def parsable(self) -> str:
        """Return the text for the parser, and one statement more, as it takes no less than one."""
        return f"{self.text}\nBS_:\n"

    def syntax(self, offset: int) -> Fault:
        """Return the fault of a text that stops being a DBC at `offset`."""
        offset = min(offset, len(self.text.rstrip()))
        found = re.compile(r"\w+|\S").search(self.text, offset)
        what = f"{found[0]!r} cannot stand here" if found else "the file ends too early"
        line = self._line(offset)
        column = offset - self._line_starts[line - 1] + 1
        return self.fault(line, f"{what}; expected a statement of a DBC file.", column)

    def _layout(self) -> Iterator[MessageLine]:
        message: MessageLine | None = None
        for found in _LAYOUT.finditer(self._bare):
            line = self._line(found.start())
            if found["message"]:
                if message:
                    yield message
                message = MessageLine(found["message"], line, [])
            elif message:
                signal = SignalLine(found["signal"], line, found["marker"] or "")
                message.signals.append(signal)
        if message:
            yield message

    def _line(self, offset: int) -> int:
        return bisect_right(self._line_starts, offset)

    def too_much(self) -> list[Fault]:
        """Return of what there is so much that reading it takes too long."""
        signals = sum(len(message.signals) for message in self.messages)
        texts = self.text.count('"') // 2 - signals  # each signal has a unit
        return [
            self.fault(0, f"the file describes {number:,} {what}; describe no more than {most:,} in one.")
            for what, number, most in (
                ("signals", signals, MOST_SIGNALS_IN_ALL),
                ("labels", texts, MOST_TEXTS),
            )
            if number > most
        ]


def _blank(found: re.Match[str]) -> str:
    return re.sub(r"[^\n]", " ", found[0])
