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
from canmap.mapping.description.dbcmend import UNSENT_ID
from canmap.mapping.description.dbcstatements import TEXT
from canmap.mapping.description.numbers import LONGEST_MESSAGE, impossible_power, written_number

if TYPE_CHECKING:
    from collections.abc import Iterator

# Many files carry one message for signals that no message sends; it is on no bus.
UNSENT_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"

LARGEST_SELECTION = 1 << 16
MOST_SIGNALS = 2048  # of a message; the time that the parser takes grows with their square
MOST_SIGNALS_IN_ALL = 50_000  # a few seconds
MOST_TEXTS = 150_000

_STRING_OR_COMMENT = re.compile(rf"{TEXT}|//[^\n]*")
_LAYOUT = re.compile(
    r"\bBO_\s+(?P<id>\d+)\s+(?P<message>\w+)\s*:\s*(?P<length>\d*)"
    r"|\bSG_\s+(?P<signal>\w+)(?:\s+(?P<marker>\w+))?\s*:\s*(?P<start>[-+]?\d+)\s*\|\s*(?P<bits>[-+]?\d+)"
)
_LABELS = re.compile(r"\b(VAL_|SIG_VALTYPE_)\s+(\d+)\s+(\w+)(?:\s*:\s*(\d+))?")
_SELECTION = re.compile(r"\bSG_MUL_VAL_\s++\d++\s++(?P<signal>\w++)\s++\w++\s++")
_RANGE = re.compile(r"(?<!\d)(\d++)\s*+-\s*+(\d++)")
_STATEMENT = re.compile(
    r"\b(?:BO_TX_BU|BO|SG_MUL_VAL|SG|BU|BS|NS|VAL_TABLE|VAL|SIG_VALTYPE|CM|BA_DEF|BA)_(?!\w)"
)
_FORMS = {
    "BO_": "BO_ identifier name: length sender",
    "SG_": 'SG_ name : start|length@order sign (factor,offset) [minimum|maximum] "unit" receivers',
    "BU_": "BU_: nodes",
    "VAL_": 'VAL_ identifier signal code "text" ... ;',
    "VAL_TABLE_": 'VAL_TABLE_ name code "text" ... ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ identifier signal : 1 or 2 ;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ identifier signal selector first-last, ... ;",
    "BO_TX_BU_": "BO_TX_BU_ identifier : nodes ;",
    "CM_": 'CM_ SG_ identifier signal "text" ;',
    "BA_": 'BA_ "attribute" object value ;',
    "BA_DEF_": 'BA_DEF_ object "attribute" type values ;',
}


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

        What is stated of signals that no message sends is left out, as the parser takes exception to it. An
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
        if found and found[0] == '"' and self._bare[found.start()] == '"':
            what = "the text that starts here has no closing quote"
        keywords = _STATEMENT.findall(self._bare, 0, offset + 1)
        form = _FORMS.get(keywords[-1]) if keywords else None
        expected = f"expected {form}, or the next statement" if form else "expected a statement of a DBC file"
        line = self._line(offset)
        column = offset - self._line_starts[line - 1] + 1
        return self.fault(line, f"{what}; {expected}.", column)

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

    def endless(self) -> list[Fault]:
        """Return what must not reach the parser.

        It lists every multiplexer value and every bit, and writes numbers out, whatever their exponent.
        """
        return [*self._selections(), *self._totals(), *self._sizes(), *self._powers()]

    def _powers(self) -> Iterator[Fault]:
        if power := impossible_power(self._bare):
            line = self._line(self._bare.find(power))
            yield self.fault(line, f"the number {power} cannot be; write one that can.")

    def _totals(self) -> Iterator[Fault]:
        signals = sum(len(message.signals) for message in self.messages)
        texts = self.text.count('"') // 2 - signals  # each signal has a unit
        for what, number, most in (
            ("signals", signals, MOST_SIGNALS_IN_ALL),
            ("labels", texts, MOST_TEXTS),
        ):
            if number > most:
                text = f"the file describes {number:,} {what}; describe no more than {most:,} in one."
                yield self.fault(0, text)

    def _sizes(self) -> Iterator[Fault]:
        for message in self.messages:
            if len(message.signals) > MOST_SIGNALS:
                yield self.fault(
                    message.line,
                    f"message {message.name} has {len(message.signals):,} signals; "
                    f"describe no more than {MOST_SIGNALS:,} in one.",
                )
        for found in _LAYOUT.finditer(self._bare):
            if written_number(found["length"] or "0") > LONGEST_MESSAGE:
                yield self.fault(
                    self._line(found.start()),
                    f"message {found['message']} is longer than {LONGEST_MESSAGE} bytes; correct its length.",
                )
            if max(written_number(found[place] or "0") for place in ("start", "bits")) > 8 * LONGEST_MESSAGE:
                yield self.fault(
                    self._line(found.start()),
                    f"signal {found['signal']} lies beyond {LONGEST_MESSAGE} bytes; "
                    "correct its start bit or its length.",
                )

    def _selections(self) -> Iterator[Fault]:
        end = 0
        while found := _SELECTION.search(self._bare, end):
            end = self._bare.find(";", found.end())
            if end < 0:
                return
            ranges = self._bare[found.end() : end]
            spans = [
                written_number(last) - written_number(first) + 1 for first, last in _RANGE.findall(ranges)
            ]
            if min(spans, default=1) < 1 or sum(spans) > LARGEST_SELECTION:
                yield self.fault(
                    self._line(found.start()),
                    f"signal {found['signal']}: the multiplexer values {ranges.strip()[:60]} run "
                    f"backwards or are more than {LARGEST_SELECTION}; write the few that the selector takes.",
                )


def _blank(found: re.Match[str]) -> str:
    return re.sub(r"[^\n]", " ", found[0])
