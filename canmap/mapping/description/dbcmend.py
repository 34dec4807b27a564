"""0. The text of a DBC as its maker left it, mended where only one reading is possible.

In comes the text, out goes one with the same lines that the library can read, and every repair with its
line. Statements that nobody here needs are blanked, whatever they hold: their mistakes do no harm, and the
library takes long over them. What is garbled beyond repair stays as it is, for the library to refuse.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canmap.mapping.description.dbcstatements import IDLE, MOST_CUT, NEEDED, TEXT, Statement, statements
from canmap.mapping.description.numbers import (
    LONGEST_MESSAGE,
    impossible_power,
    without_powers,
    written_number,
)

if TYPE_CHECKING:
    from collections.abc import Callable

EXTENDED_FLAG = 0x8000_0000
UNSENT_ID = 0xC000_0000  # of the message that carries signals which no message sends; it is on no bus
_LARGEST_STANDARD, _LARGEST_EXTENDED = 0x7FF, 0x1FFF_FFFF
_LONGEST_BLANK = 1_000  # columns
_FLOAT_BITS = {"1": (16, 32), "2": (64,)}
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
_TYPE = re.compile(r"SIG_VALTYPE_\s++(?P<id>\d++)\s++(?P<signal>\w++)\s*+:?\s*+(?P<kind>\d++)")
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

    def at(self, file: str) -> str:
        """Return "file:line: text", without the line where it is not known."""
        return f"{file}:{self.line}: {self.text}" if self.line else f"{file}: {self.text}"


@dataclass(frozen=True, slots=True)
class Mended:
    """A text that can be read, line for line where the original has it.

    Attributes:
        text: It.
        repairs: In the order of the file.
        left_out: Messages that are not read, by name, and signals, as "Message.Signal", each with its repair.
        places: By line and name the start bit and the length of signals for which the text says something
            else, as the library could not take them.
    """

    text: str
    repairs: tuple[Repair, ...] = ()
    left_out: dict[str, Repair] = field(default_factory=dict)
    places: dict[tuple[int, str], tuple[int, int]] = field(default_factory=dict)


def original(name: str) -> str:
    """Return a name, or a sentence with names, as the file has it, for one of the mended text."""
    return name.replace(_STAND_IN, "")


def mended(text: str) -> Mended:
    """Mend the text of a DBC; one that holds no statement at all stays as it is."""
    cut = list(statements(text))
    if sum(one.is_cut for one in cut) >= MOST_CUT:
        return Mended(text)
    if not any(one.keyword in NEEDED | IDLE for one in cut):
        return Mended(text)
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
        self.signals: dict[int, dict[str, int]] = {}  # by identifier as mended: names, and their bits
        self.names: dict[int, str] = {}  # of messages, likewise
        self.too_long: set[int] = set()  # identifiers as written
        self.lost_signals: set[tuple[int, str]] = set()  # left out, with their message as mended
        self.places: dict[tuple[int, str], tuple[int, int]] = {}
        self.message = 0  # to which the next signal belongs
        self.digit_names: set[str] = set()
        self.defined: set[str] = set()
        self.used: dict[str, int] = {}
        self.dropping = False  # the signals of a message that is left out

    def mend(self) -> Mended:
        self._survey()
        self._types()
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
        return Mended("".join(pieces), tuple(self.repairs), self.left_out, self.places)

    def _survey(self) -> None:
        """See which messages and signals there are, and which of their names begin with a digit."""
        written = {
            written_number(one.found["id"]) for one in self.statements if one.keyword == "BO_" and one.found
        }
        signals: dict[str, int] = {}
        for one in self.statements:
            if not one.found:
                continue
            if one.keyword == "BO_":
                number = written_number(one.found["id"])
                right = _mended_identifier(number, written)
                if written_number(one.found["length"]) > LONGEST_MESSAGE:
                    self.too_long.add(number)
                self.identifiers[number] = None if number in self.too_long else right
                self.names[number if right is None else right] = one.found["name"]
                signals = self.signals.setdefault(number if right is None else right, {})
            elif one.keyword == "SG_":
                signals[one.found["name"]] = written_number(one.found["bits"])
            if one.keyword in {"BO_", "SG_", "BU_"}:
                body = re.sub(TEXT, "", one.found[0])
                self.digit_names.update(word for word in _NAME.findall(body) if _DIGIT_NAME.fullmatch(word))

    def _types(self) -> None:
        """Leave out the IEEE numbers of an impossible length: what they are is not clear."""
        for one in self.statements:
            found = _TYPE.match(self.text, one.start, one.end) if one.keyword == "SIG_VALTYPE_" else None
            if not found:
                continue
            name, kind = found["signal"], found["kind"]
            number = written_number(found["id"])
            right = self.identifiers.get(number)
            bits = self.signals.get(right, {}).get(name) if right is not None else None
            if right is None or bits is None or bits in _FLOAT_BITS.get(kind, (bits,)):
                continue
            text = (
                f"signal {name} of message {self.names[right]} is a floating-point number of type {kind}, "
                f"but {bits} bits long; type 1 takes 32 bits, type 2 takes 64; left out"
            )
            self.left_out[f"{self.names[right]}.{name}"] = self._tell(one.start, text)
            self.lost_signals.add((right, name))

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
        if one.keyword not in IDLE and self._is_read(one, body) and (power := impossible_power(body)):
            self._tell(one.start, f"the number {power} ({one.keyword}) cannot be; the statement is left out")
            return _blank(body)
        if self._is_lost(one, body) or one.keyword in IDLE or not self._is_read(one, body):
            return _blank(body)
        self._attribute(one, body)
        return self._numbers(one, self._names(one, body))

    def _definition(self, one: Statement, body: str) -> str:
        if one.keyword == "BO_" and one.found:
            number, name = written_number(one.found["id"]), one.found["name"]
            right = self.identifiers[number]
            self.message = number if right is None else right
            if right is None:
                why = "cannot be or is taken"
                if number in self.too_long:
                    why = f"is that of a message of more than {LONGEST_MESSAGE} bytes"
                text = f"message {name} has the identifier 0x{number:X}, which {why}; left out"
                self.left_out[name] = self._tell(one.start, text)
                self.dropping = True
            elif right != number:
                text = f"message {name}: identifier 0x{number:X} lacks the mark of 29 bits; it is read so"
                self._tell(one.start, text)
                body = re.sub(r"\d+", str(right), body, count=1)
        if self.dropping or (one.found and (self.message, one.found["name"]) in self.lost_signals):
            return _blank(body)
        if one.keyword == "SG_" and one.found:
            body = self._possible(one, one.found, body)
        if one.found and _DIGIT_NAME.fullmatch(one.found["name"]):
            self._tell(
                one.start, f"the name {one.found['name']} begins with a digit; it is read as it stands"
            )
        return self._numbers(one, self._names(one, body))

    def _possible(self, one: Statement, found: re.Match[str], body: str) -> str:
        """Put numbers that the library can take for those of a signal that it cannot: it is doubtful then."""
        start, bits = written_number(found["start"]), written_number(found["bits"])
        if bits < 1 or max(start, bits) > 8 * LONGEST_MESSAGE:
            line = bisect_right(self.line_starts, one.start)
            self.places[line, found["name"]] = start, bits
            first, last = found.start("start") - one.start, found.end("bits") - one.start
            body = f"{body[:first]}0|1{body[last:]}"
        if power := impossible_power(body):
            self._tell(one.start, f"signal {found['name']}: the number {power} cannot be; it is not read")
            body = without_powers(body)
        return body

    def _is_read(self, one: Statement, body: str) -> bool:
        """Tell whether a statement that is needed says anything that is read."""
        if one.keyword == "VAL_":
            return bool(_CODED.match(body)) or not body.endswith(";")
        if not one.keyword.startswith("BA_"):
            return True
        attribute = _ATTRIBUTE.match(body)
        name = attribute["name"] if attribute else ""
        return name in _ATTRIBUTES

    def _attribute(self, one: Statement, body: str) -> None:
        """Keep in mind that an attribute is used or defined."""
        if attribute := _ATTRIBUTE.match(body):
            if one.keyword == "BA_":
                self.used.setdefault(attribute["name"], one.start)
            elif one.keyword == "BA_DEF_":
                self.defined.add(attribute["name"])

    def _is_lost(self, one: Statement, body: str) -> bool:
        """Tell whether a statement is about what does not exist, or about what is left out."""
        about = _ABOUT.match(body)
        if not about or not body.endswith(";"):  # one that is cut off is for the library to refuse
            return False
        number = written_number(about["id"] or about["id_2"] or about["id_3"] or about["sent"])
        signal = about["signal"] or about["signal_2"]
        right = self.identifiers.get(number, number)
        if right is None or (right, signal) in self.lost_signals:
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
            number = written_number(about[group])
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
            reported.append(f"{found[1]}{found[2]}")
            return f"{found[1]}0{found[2]}"

        reported: list[str] = []
        body = _SHORT_NUMBER.sub(whole, body)
        if reported:
            self._tell(one.start, f"the number {reported[0]} is read as {reported[0].replace('.', '0.')}")
        return body


def _mended_identifier(number: int, written: set[int]) -> int | None:
    """Return the identifier that is meant, as a DBC writes it; None where that is not clear."""
    if number == UNSENT_ID or number <= _LARGEST_STANDARD:
        return number
    if number >= EXTENDED_FLAG:
        return number if number - EXTENDED_FLAG <= _LARGEST_EXTENDED else None
    marked = number | EXTENDED_FLAG
    return marked if number <= _LARGEST_EXTENDED and marked not in written else None


def _outside(body: str, form: re.Pattern[str], to: Callable[[re.Match[str]], str]) -> str:
    """Return `body` with `form` replaced outside its texts."""
    parts = re.split(f"({TEXT})", body)
    return "".join(part if part.startswith('"') else form.sub(to, part) for part in parts)


def _blank(text: str) -> str:
    """Return as many lines, and what follows at its column unless that is far to the right."""
    rest = len(text) - text.rfind("\n") - 1
    return "\n" * text.count("\n") + " " * min(rest, _LONGEST_BLANK)
