"""0. The text of a DBC as its maker left it, mended where only one reading is possible.

In comes the text, out goes one with the same lines that the library can read, and every repair with its
line. Statements that nobody here needs are blanked, whatever they hold: their mistakes do no harm, and the
library takes long over them. What is garbled beyond repair stays as it is, for the library to refuse.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canmap.mapping.description.dbcstatements import IDLE, MOST_CUT, NEEDED, TEXT, Statement, statements

if TYPE_CHECKING:
    from collections.abc import Callable

EXTENDED_FLAG = 0x8000_0000
UNSENT_ID = 0xC000_0000  # of the message that carries signals which no message sends; it is on no bus
_LARGEST_STANDARD, _LARGEST_EXTENDED = 0x7FF, 0x1FFF_FFFF
_LONGEST_BLANK = 1_000  # columns
_MOST_DIGITS = 20  # of an identifier
# Stands before a name that begins with a digit, which the library takes for a number.
_STAND_IN = "canmap_name_"
# What of the attributes is read, and how the library wants each defined.
_ATTRIBUTES = {
    "GenMsgCycleTime": "BO_ {} INT 0 604800000",
    "SystemMessageLongSymbol": "BO_ {} STRING",
    "SystemSignalLongSymbol": "SG_ {} STRING",
    "SystemNodeLongSymbol": "BU_ {} STRING",
}
_NAME = re.compile(r"(?<![\w.])\w++(?!\.|[-+]\d)")  # not the "1e" of 1e-05
_ABOUT = re.compile(
    r"(?:VAL_|SIG_VALTYPE_|SG_MUL_VAL_)\s++(?P<id>\d++)\s++(?P<signal>\w++)|BO_TX_BU_\s++(?P<sent>\d++)"
    rf"|(?:CM_|BA_\s*+{TEXT})\s*+(?:SG_\s++(?P<id_2>\d++)\s++(?P<signal_2>\w++)|BO_\s++(?P<id_3>\d++))"
)
_CODED = re.compile(r"VAL_\s+\d")
_ATTRIBUTE = re.compile(r'(?:BA_DEF_DEF_|BA_DEF_|BA_)\s*(?:(?:BO_|SG_|BU_|EV_)\s*)?"(?P<name>[^"]*)"')
_SHORT_NUMBER = re.compile(rf"{TEXT}|(?<![\w.])([-+]?)(\.\d+)")
_DIGIT_NAME = re.compile(r"\d+(?![eE]\d+\Z)[A-Za-z_]\w*")
_WHAT = {
    "VAL_": "the labels",
    "CM_": "the comment",
    "BA_": "the attribute",
    "SIG_VALTYPE_": "the type",
    "SG_MUL_VAL_": "the multiplexer values",
    "BO_TX_BU_": "the senders",
}


@dataclass(frozen=True, slots=True)
class Repair:
    """What was mended or left out: its line, and a sentence that says so."""

    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Mended:
    """A text that can be read, line for line where the original has it.

    Attributes:
        text: It.
        repairs: In the order of the file.
        left_out: Messages that are not read, by name, each with its repair.
    """

    text: str
    repairs: tuple[Repair, ...]
    left_out: dict[str, Repair]


def original(name: str) -> str:
    """Return a name, or a sentence with names, as the file has it, for one of the mended text."""
    return name.replace(_STAND_IN, "")


def mended(text: str) -> Mended:
    """Mend the text of a DBC; one that holds no statement at all stays as it is."""
    cut = list(statements(text))
    if sum(one.is_cut for one in cut) >= MOST_CUT:
        return Mended(text, (), {})
    if not any(one.keyword in NEEDED | IDLE for one in cut):
        return Mended(text, (), {})
    return _Mender(text, cut).mend()


class _Mender:
    """Mends one text, statement by statement."""

    def __init__(self, text: str, statements: list[Statement]) -> None:
        self.text = text
        self.statements = statements
        self.line_starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self.repairs: list[Repair] = []
        self.left_out: dict[str, Repair] = {}
        self.identifiers: dict[int, int | None] = {}  # as written, to as mended; None for one left out
        self.signals: dict[int, set[str]] = {}  # by identifier as mended
        self.digit_names: set[str] = set()
        self.defined: set[str] = set()
        self.used: dict[str, int] = {}
        self.dropping = False  # the signals of a message that is left out

    def mend(self) -> Mended:
        self._survey()
        pieces, place = [], 0
        for one in self.statements:
            piece = self._piece(one)
            pieces += [self.text[place : one.start], piece]
            place = one.end
        pieces.append(self.text[place:])
        for name in self.used.keys() - self.defined:
            definition = _ATTRIBUTES[name].format(f'"{name}"')
            pieces.append(f"\nBA_DEF_ {definition};\n")
            self._tell(self.used[name], f"the attribute {name} is not defined; it is read as it stands")
        self.repairs.sort(key=lambda repair: repair.line)
        return Mended("".join(pieces), tuple(self.repairs), self.left_out)

    def _survey(self) -> None:
        """See which messages and signals there are, and which of their names begin with a digit."""
        written = {
            _identifier(one.found["id"]) for one in self.statements if one.keyword == "BO_" and one.found
        }
        signals: set[str] = set()
        for one in self.statements:
            if not one.found:
                continue
            if one.keyword == "BO_":
                number = _identifier(one.found["id"])
                right = self.identifiers[number] = _mended_identifier(number, written)
                signals = self.signals.setdefault(number if right is None else right, set())
            elif one.keyword == "SG_":
                signals.add(one.found["name"])
            if one.keyword in {"BO_", "SG_", "BU_"}:
                body = re.sub(TEXT, "", one.found[0])
                self.digit_names.update(word for word in _NAME.findall(body) if _DIGIT_NAME.fullmatch(word))

    def _tell(self, start: int, text: str) -> Repair:
        repair = Repair(bisect_right(self.line_starts, start), f"{text}.")
        self.repairs.append(repair)
        return repair

    def _piece(self, one: Statement) -> str:
        """Return what the library is to read of a statement."""
        body = self.text[one.start : one.end]
        if one.keyword == "BO_":
            self.dropping = False
        if one.wrong:
            self._tell(one.start, f"{one.wrong}; it is left out")
            return _blank(body)
        if one.keyword in {"BO_", "SG_"}:
            return self._definition(one, body)
        if self._is_lost(one, body) or one.keyword in IDLE or not self._is_read(one, body):
            return _blank(body)
        return self._numbers(one, self._names(one, body))

    def _definition(self, one: Statement, body: str) -> str:
        if one.keyword == "BO_" and one.found:
            number, name = _identifier(one.found["id"]), one.found["name"]
            right = self.identifiers[number]
            if right is None:
                text = (
                    f"message {name} has the identifier 0x{number:X}, which cannot be or is taken; left out"
                )
                self.left_out[name] = self._tell(one.start, text)
                self.dropping = True
            elif right != number:
                text = f"message {name}: identifier 0x{number:X} lacks the mark of 29 bits; it is read so"
                self._tell(one.start, text)
                body = re.sub(r"\d+", str(right), body, count=1)
        if self.dropping:
            return _blank(body)
        if one.found and _DIGIT_NAME.fullmatch(one.found["name"]):
            self._tell(
                one.start, f"the name {one.found['name']} begins with a digit; it is read as it stands"
            )
        return self._numbers(one, self._names(one, body))

    def _is_read(self, one: Statement, body: str) -> bool:
        """Tell whether a statement that is needed says anything that is read."""
        if one.keyword == "VAL_":
            return bool(_CODED.match(body)) or not body.endswith(";")
        if not one.keyword.startswith("BA_"):
            return True
        attribute = _ATTRIBUTE.match(body)
        name = attribute["name"] if attribute else ""
        if name not in _ATTRIBUTES:
            return False
        if one.keyword == "BA_":
            self.used.setdefault(name, one.start)
        else:
            self.defined.add(name) if one.keyword == "BA_DEF_" else None
        return True

    def _is_lost(self, one: Statement, body: str) -> bool:
        """Tell whether a statement is about what does not exist, or about what is left out."""
        about = _ABOUT.match(body)
        if not about or not body.endswith(";"):  # one that is cut off is for the library to refuse
            return False
        number = _identifier(about["id"] or about["id_2"] or about["id_3"] or about["sent"])
        signal = about["signal"] or about["signal_2"]
        right = self.identifiers.get(number, number)
        if right is None:
            return True
        if number == UNSENT_ID or (right in self.signals and (not signal or signal in self.signals[right])):
            return False
        what = f"signal {signal} of message {number}" if signal else f"message {number}"
        self._tell(
            one.start,
            f"{_WHAT[one.keyword]} of {what} ({one.keyword}) cannot be placed, as there is no such "
            f"{'signal' if signal else 'message'}; left out",
        )
        return True

    def _names(self, one: Statement, body: str) -> str:
        """Put stand-ins for the names that begin with a digit, and identifiers as mended."""
        if one.keyword not in {"BO_", "SG_"} and (about := _ABOUT.match(body)):
            group = next(name for name in ("id", "id_2", "id_3", "sent") if about[name])
            number = _identifier(about[group])
            if (right := self.identifiers.get(number, number)) != number:
                body = f"{body[: about.start(group)]}{right}{body[about.end(group) :]}"
        if not self.digit_names:
            return body
        return _outside(
            body, _NAME, lambda word: f"{_STAND_IN if word[0] in self.digit_names else ''}{word[0]}"
        )

    def _numbers(self, one: Statement, body: str) -> str:
        def whole(found: re.Match[str]) -> str:
            if found[2] is None:
                return found[0]
            told.append(f"{found[1]}{found[2]}")
            return f"{found[1]}0{found[2]}"

        told: list[str] = []
        body = _SHORT_NUMBER.sub(whole, body)
        if told:
            self._tell(one.start, f"the number {told[0]} is read as {told[0].replace('.', '0.')}")
        return body


def _mended_identifier(number: int, written: set[int]) -> int | None:
    """Return the identifier that is meant, as a DBC writes it; None where that is not clear."""
    if number == UNSENT_ID or number <= _LARGEST_STANDARD:
        return number
    if number >= EXTENDED_FLAG:
        return number if number - EXTENDED_FLAG <= _LARGEST_EXTENDED else None
    marked = number | EXTENDED_FLAG
    return marked if number <= _LARGEST_EXTENDED and marked not in written else None


def _identifier(digits: str) -> int:
    return int(digits) if len(digits) <= _MOST_DIGITS else int("9" * _MOST_DIGITS)


def _outside(body: str, form: re.Pattern[str], to: Callable[[re.Match[str]], str]) -> str:
    """Return `body` with `form` replaced outside its texts."""
    parts = re.split(f"({TEXT})", body)
    return "".join(part if part.startswith('"') else form.sub(to, part) for part in parts)


def _blank(text: str) -> str:
    """Return as many lines, and what follows at its column unless that is far to the right."""
    rest = len(text) - text.rfind("\n") - 1
    return "\n" * text.count("\n") + " " * min(rest, _LONGEST_BLANK)
