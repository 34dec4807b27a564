"""0. The text of a DBC: where its statements stand, and the mistakes that only the text shows.

In comes the text, out go the lines of messages and signals, so that every complaint can name one, and
the faults for which the library that reads the file gives up without a line.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canmap.base.errors import Fault
from canmap.mapping.description.dbcstatements import TEXT
from canmap.mapping.description.dbcsurvey import UNSENT_ID
from canmap.mapping.description.numbers import written_number

if TYPE_CHECKING:
    from collections.abc import Iterator

# Many files carry one message for signals that no message sends; it is on no bus.
UNSENT_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"

MOST_SIGNALS_IN_ALL = 50_000  # a few seconds
MOST_TEXTS = 150_000

_STRING_OR_COMMENT = re.compile(rf"{TEXT}|//[^\n]*")
_LAYOUT = re.compile(
    r"\bBO_\s+(?P<id>\d+)\s+(?P<message>\w+)\s*:"
    r"|\bSG_\s+(?P<signal>\w+)(?:\s+(?P<marker>\w+))?\s*:\s*[-+]?\d+\s*\|\s*[-+]?\d+"
)
_LABELS = re.compile(r"\b(VAL_|SIG_VALTYPE_)\s+(\d+)\s+(\w+)(?:\s*:\s*(\d+))?")


@dataclass(frozen=True, slots=True)
class SignalLine:
    """Where a signal is described: its short name, line and multiplexer marker ("" for none)."""

    name: str
    line: int
    marker: str


@dataclass(frozen=True, slots=True)
class MessageLine:
    """Where a message is described: its identifier as written, short name, line and signals."""

    dbc_id: int
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
        everything = list(self._layout())
        self._unsent_ids = {m.dbc_id for m in everything if m.name == UNSENT_MESSAGE} | {UNSENT_ID}
        self.messages = [m for m in everything if m.dbc_id not in self._unsent_ids]

    def fault(self, line: int, text: str, column: int = 0) -> Fault:
        """Return a fault of this file."""
        return Fault(self.path, line, column, text)

    def parsable(self) -> str:
        """Return the text for the parser, with every statement at its place.

        What is said of signals that no message sends is left out, as the parser takes exception to it. An
        empty statement is added: without one after it, the parser drops a last statement that is cut off.
        """
        pieces, place = [], 0
        for found in _LABELS.finditer(self._bare):
            if written_number(found[2]) in self._unsent_ids and found.start() >= place:
                end = max(self._bare.find(";", found.start()) + 1, found.end())
                unsent = re.sub(r"[^\n]", " ", self.text[found.start() : end])
                pieces += [self.text[place : found.start()], unsent]
                place = end
        return "".join((*pieces, self.text[place:], "\nBS_:\n"))

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
                message = MessageLine(written_number(found["id"]), found["message"], line, [])
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
