"""0. Which messages and signals the text of a DBC has: their identifiers, names and places.

In come its statements. Out go the messages that can be read, by the identifier that is meant, and those that
cannot, each with the reason.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from canmap.mapping.description.dbcstatements import NEEDED, SHAPES, TEXT, Statement
from canmap.mapping.description.numbers import LONGEST_MESSAGE, written_number

EXTENDED_FLAG = 0x8000_0000
# Many files carry one message for signals that no message sends; it is on no bus.
UNSENT_ID, UNSENT_MESSAGE = 0xC000_0000, "VECTOR__INDEPENDENT_SIG_MSG"
MOST_SIGNALS = 2048  # of a message; the time that the parser takes grows with their square
LOST, UNCLEAR = (
    -1,
    -2,
)  # instead of the identifier of a message: one that is not read; none, or not clear which
_LARGEST_STANDARD, _LARGEST_EXTENDED = 0x7FF, 0x1FFF_FFFF
_LONG_NAME = re.compile(
    rf'BA_\s*+"System(?:Message|Signal)LongSymbol"\s*+(?:BO_\s++(\d++)|SG_\s++(\d++)\s++(\w++))\s*+({TEXT})\s*+;'
)
NAME = re.compile(r"(?<![\w.])\w++(?!\.|[-+]\d)")  # not the "1e" of 1e-05
DIGIT_NAME = re.compile(r"\d+(?![eE]\d+\Z)[A-Za-z_]\w*")
_MAYBE_DIGIT_NAME = re.compile(r'\d["A-Za-z_]')  # without it there is none
_SIGNAL_HEAD = re.compile(r"SG_\s++(?P<name>\w++)\s*+(?P<marker>\w*+)\s*+(?P<colon>:?)")
_BEFORE_COLON = re.compile(r"[^:\n]*+")


class Sketch(NamedTuple):
    """What the text says of a signal: its bits, its marker ("" for none), and where it starts."""

    bits: int
    marker: str
    start: int


class LostMessage(NamedTuple):
    """A message that is not read: its identifier and name as written (0 and "" for not known), and why."""

    number: int
    name: str
    why: str


class Survey:
    """What there is in a DBC.

    Attributes:
        identifiers: Those of messages, as written, to those that are meant; None for one that is not read.
        names: Of messages, by the identifier that is meant.
        signals: Likewise; their names, and what is said of each.
        owners: By the start of a signal the identifier of its message, `LOST` or `UNCLEAR`.
        lost: By its start each message that is not read.
        unsent: Where messages start that are on no bus.
        long_names: By the identifier and signal as written ("" for the message itself).
        hidden_selector: Messages, likewise, of which a damaged signal may select others.
        digit_names: Those that the library takes for numbers.
    """

    def __init__(self, text: str, statements: list[Statement]) -> None:
        """Survey a text that is cut into its statements."""
        self.identifiers: dict[int, int | None] = {}
        self.names: dict[int, str] = {}
        self.signals: dict[int, dict[str, Sketch]] = {}
        self.owners: dict[int, int] = {}
        self.lost: dict[int, LostMessage] = {}
        self.unsent: set[int] = set()
        self.long_names: dict[tuple[int, str], str] = {}
        self.hidden_selector: set[int] = set()
        self.digit_names: set[str] = set()
        self._text = text
        self._written = {
            written_number(one.found["id"]) for one in statements if one.keyword == "BO_" and one.found
        }
        self._impossible = self._beyond_reading(statements)
        owner = UNCLEAR
        for one in statements:
            if one.keyword == "BO_":
                owner = self._message(one)
            elif one.keyword == "SG_":
                self.owners[one.start] = owner
                self._signal(one, owner)
            elif one.keyword in NEEDED:
                owner = UNCLEAR
                self._long_name(one)
            if owner >= 0 and one.hides_a_message(text):
                owner = UNCLEAR
            if one.keyword in NEEDED and one.keyword != "VAL_":
                self._digit_names(one)

    def key(self, number: int) -> int:
        """Return by what a message with an identifier as written is known here."""
        right = self.identifiers.get(number, number)
        return number if right is None else right

    def _beyond_reading(self, statements: list[Statement]) -> dict[int, tuple[int, LostMessage]]:
        """Return by identifier, as written, where messages start that are too long or of too many signals."""
        found: dict[int, tuple[int, LostMessage]] = {}
        message, count = None, 0
        for one in statements:
            if one.keyword == "BO_":
                message, count = one if one.found else None, 0
            count += one.keyword == "SG_"
            if not message or not message.found or one.keyword not in {"BO_", "SG_"}:
                continue
            number, length = (written_number(message.found[name]) for name in ("id", "length"))
            why = ""
            if length > LONGEST_MESSAGE:
                why = f"is {length:,} bytes long, and the longest possible has {LONGEST_MESSAGE:,}"
            elif count > MOST_SIGNALS:
                why = f"has {count:,} signals, and at most {MOST_SIGNALS:,} of one message are read"
            if why:
                found[number] = message.start, LostMessage(number, message.found["name"], why)
        return found

    def _message(self, one: Statement) -> int:
        if not one.found:
            self._damaged_message(one)
            return LOST
        number, name = written_number(one.found["id"]), one.found["name"]
        if number == UNSENT_ID or name == UNSENT_MESSAGE:
            self.identifiers.setdefault(number, None)
            self.unsent.add(one.start)
            return LOST
        right = _meant(number, self._written)
        start, lost = self._impossible.get(number, (one.start, LostMessage(number, name, "")))
        why = lost.why
        if start != one.start:
            why = f"has the identifier 0x{number:X} of message {lost.name}, which is not read"
        elif right is None:
            why = f"has the identifier 0x{number:X}, which is impossible or already used"
        self.identifiers[number] = None if why else right
        key = self.key(number)
        self.names[key] = name
        self.signals.setdefault(key, {})
        if why:
            self.lost[one.start] = LostMessage(number, name, why)
            return LOST
        return key

    def _damaged_message(self, one: Statement) -> None:
        """Keep in mind as much of a damaged message as can be told."""
        head = _BEFORE_COLON.match(self._text, one.start + len("BO_"), one.end)
        words = re.findall(r"\w+", head[0])[:2] if head else []
        number = written_number(words[0]) if words and words[0].isdecimal() else None
        if number is not None and number not in self._written:
            self.identifiers.setdefault(number, None)
            self.names.setdefault(number, words[-1])
            self.signals.setdefault(number, {})
        name = words[-1] if words else ""
        self.lost[one.start] = LostMessage(number or 0, name, f"cannot be read, expected `{SHAPES['BO_']}`")

    def _signal(self, one: Statement, owner: int) -> None:
        if owner < 0:
            return
        if one.found:
            sketch = Sketch(written_number(one.found["bits"]), one.found["marker"] or "", one.start)
            self.signals[owner][one.found["name"]] = sketch
            return
        head = _SIGNAL_HEAD.match(self._text, one.start, one.end)
        if head:
            self.signals[owner].setdefault(head["name"], Sketch(0, head["marker"], one.start))
        if not head or not head["colon"] or "M" in head["marker"]:
            self.hidden_selector.add(owner)

    def _long_name(self, one: Statement) -> None:
        if one.keyword == "BA_" and (found := _LONG_NAME.match(self._text, one.start, one.end)):
            self.long_names[written_number(found[1] or found[2]), found[3] or ""] = found[4][1:-1]

    def _digit_names(self, one: Statement) -> None:
        if one.found and _MAYBE_DIGIT_NAME.search(one.found[0]):
            words = NAME.findall(re.sub(TEXT, "", one.found[0]))
            self.digit_names.update(word for word in words if DIGIT_NAME.fullmatch(word))


def _meant(number: int, written: set[int]) -> int | None:
    """Return the identifier that is meant, as a DBC writes it; None where that is not clear."""
    if number <= _LARGEST_STANDARD:
        return number
    if number >= EXTENDED_FLAG:
        return number if number - EXTENDED_FLAG <= _LARGEST_EXTENDED else None
    marked = number | EXTENDED_FLAG
    return marked if number <= _LARGEST_EXTENDED and marked not in written else None
