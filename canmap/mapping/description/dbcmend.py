"""0. The text of a DBC as its maker left it, mended where only one reading is possible.

In comes the text, out goes one with the same lines that the library can read, and every repair with its
line. Statements that nobody here needs are blanked, whatever they hold: their mistakes do no harm, and the
library takes long over them. What is garbled beyond repair is left out.
"""

from __future__ import annotations

import re
from dataclasses import field
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass
from canmap.mapping.description.dbclost import CYCLE_TIME, Losses
from canmap.mapping.description.dbcstatements import NEEDED, TEXT, Statement, statements
from canmap.mapping.description.dbcsurvey import DIGIT_NAME, NAME, UNSENT_ID, Survey
from canmap.mapping.description.numbers import (
    LONGEST_MESSAGE,
    impossible_power,
    without_powers,
    written_number,
)
from canmap.mapping.description.repairs import Repair, RepairList

if TYPE_CHECKING:
    from collections.abc import Callable

_LONGEST_BLANK = 1_000  # columns
# Stands before a name that begins with a digit, which the library takes for a number.
_STAND_IN = "canmap_name_"
# What of the attributes is read, and how it is defined to the library, whatever the text says: a cycle time
# may have decimals.
_DEFINITIONS = {
    CYCLE_TIME: "BO_ {} FLOAT 0 604800000",
    "SystemMessageLongSymbol": "BO_ {} STRING",
    "SystemSignalLongSymbol": "SG_ {} STRING",
    "SystemNodeLongSymbol": "BU_ {} STRING",
}
_ABOUT = re.compile(
    r"(?:VAL_|SIG_VALTYPE_|SG_MUL_VAL_)\s++(?P<id>\d++)\s++(?P<signal>\w++)|BO_TX_BU_\s++(?P<sent>\d++)"
    rf"|(?:CM_|BA_\s*+{TEXT})\s*+(?:SG_\s++(?P<id_2>\d++)\s++(?P<signal_2>\w++)|BO_\s++(?P<id_3>\d++))"
)
_ATTRIBUTE = re.compile(r'(?:BA_DEF_DEF_|BA_DEF_|BA_)\s*+(?:(?:BO_|SG_|BU_|EV_)\s*+)?"(?P<name>[^"]*+)"')
_SHORT_NUMBER = re.compile(rf"{TEXT}|(?<![\w.])([-+]?)(\.\d+)")
_MAYBE_SHORT_NUMBER = re.compile(r"(?<![\w.])\.\d")
_WHAT = {
    "VAL_": "the labels",
    "CM_": "the comment",
    "BA_": "the attribute",
    "SIG_VALTYPE_": "the type",
    "SG_MUL_VAL_": "the multiplexer values",
    "BO_TX_BU_": "the senders",
}


@dataclass(frozen=True, slots=True)
class Mended:
    """A text that can be read, line for line where the original has it.

    Attributes:
        text: It.
        repairs: In the order of the file.
        left_out: Messages that are not read, by name, and signals, as "Message.Signal", each with its repair.
        places: By line and name the start bit and the length of signals for which the text says something
            else, as the library could not take them.
        unlabelled: Likewise the repairs of those whose labels are not read.
        unselected: Likewise those of which it is not clear which signal selects them.
    """

    text: str
    repairs: tuple[Repair, ...] = ()
    left_out: dict[str, Repair] = field(default_factory=dict)
    places: dict[tuple[int, str], tuple[int, int]] = field(default_factory=dict)
    unlabelled: dict[tuple[int, str], Repair] = field(default_factory=dict)
    unselected: frozenset[tuple[int, str]] = frozenset()


def original(name: str) -> str:
    """Return a name, or a sentence with names, as the file has it, for one of the mended text."""
    return name.replace(_STAND_IN, "")


def mended(text: str) -> Mended:
    """Mend the text of a DBC; one that holds no whole statement at all stays as it is."""
    cut = list(statements(text))
    if not any(one.keyword and one.is_whole for one in cut):
        return Mended(text)
    return _Mender(text, cut).mend()


class _Mender:
    """Mends one text, statement by statement."""

    def __init__(self, text: str, statements: list[Statement]) -> None:
        self.text = text
        self.statements = statements
        self.repairs = RepairList(text)
        self.survey = Survey(text, statements)
        self.losses = Losses(text, statements, self.survey, self.repairs)
        self.places: dict[tuple[int, str], tuple[int, int]] = {}
        self.defined: set[str] = set()
        self.used: dict[str, int] = {}  # attributes, and where first

    def mend(self) -> Mended:
        pieces, place = [], 0
        for one in self.statements:
            piece = self._piece(one)
            pieces += [self.text[place : one.start], piece]
            place = one.end
        pieces.append(self.text[place:])
        for name, start in self.used.items():
            definition = _DEFINITIONS[name].format(f'"{name}"')
            pieces.append(f"\nBA_DEF_ {definition};\n")
            if name not in self.defined:
                self.repairs.tell(start, f"the attribute {name} is not defined; it is read as it stands")
        return Mended(
            "".join(pieces),
            tuple(sorted(self.repairs.made, key=lambda repair: repair.line)),
            self.losses.left_out,
            self.places,
            {self._signal_line(*key): repair for key, repair in self.losses.unlabelled.items()},
            frozenset(self._signal_line(*key) for key in self.losses.unselected),
        )

    def _signal_line(self, message: int, name: str) -> tuple[int, str]:
        """Return where a signal stands; line 0 for one that does not exist."""
        sketch = self.survey.signals.get(message, {}).get(name)
        return (self.repairs.line(sketch.start) if sketch else 0), name

    def _piece(self, one: Statement) -> str:
        """Return what the library is to read of a statement."""
        body = self.text[one.start : one.end]
        if attribute := _ATTRIBUTE.match(body):
            self._attribute(one, attribute["name"])
        if one.start in self.losses.statements or self._is_lost(one, body) or not self._is_read(one, body):
            return _blank(body)
        if one.keyword in {"BO_", "SG_"} and one.found:
            return self._definition(one, one.found, body)
        if power := impossible_power(body):
            self.repairs.tell(
                one.start, f"the number {power} ({one.keyword}) is impossible; the statement is left out"
            )
            return _blank(body)
        return self._numbers(one, self._names(one, body))

    def _definition(self, one: Statement, found: re.Match[str], body: str) -> str:
        """Return the message or signal that the library is to read."""
        name = found["name"]
        if one.keyword == "BO_":
            number = written_number(found["id"])
            right, length = self.survey.key(number), written_number(found["length"])
            if right != number:
                text = f"message {name}: identifier 0x{number:X} lacks the 29-bit flag; it is read as 29 bits"
                self.repairs.tell(one.start, text)
            # The library takes no length with a zero before it.
            last = found.start("length") - one.start
            body = f"{body[:last]}{length}{body[found.end('length') - one.start :]}"
            body = re.sub(r"\d+", str(right), body, count=1)
        elif (self.survey.owners[one.start], name) in self.losses.signals:
            return _blank(body)
        else:
            body = self._possible(one, found, body)
        if DIGIT_NAME.fullmatch(name):
            self.repairs.tell(one.start, f"the name {name} begins with a digit; it is read as it stands")
        return self._numbers(one, self._names(one, body))

    def _possible(self, one: Statement, found: re.Match[str], body: str) -> str:
        """Put numbers that the library can take for those of a signal that it cannot: it is doubtful then."""
        start, bits = written_number(found["start"]), written_number(found["bits"])
        if bits < 1 or max(start, bits) > 8 * LONGEST_MESSAGE:
            self.places[self.repairs.line(one.start), found["name"]] = start, bits
            first, last = found.start("start") - one.start, found.end("bits") - one.start
            body = f"{body[:first]}0|1{body[last:]}"
        if power := impossible_power(body):
            self.repairs.tell(
                one.start, f"signal {found['name']}: the number {power} is impossible; it is not read"
            )
            body = without_powers(body)
        return body

    def _is_read(self, one: Statement, body: str) -> bool:
        """Tell whether a statement says anything that is read."""
        if one.keyword == "VAL_":
            return one.found is not None and one.found["id"] is not None  # not of an environment variable
        if not one.keyword.startswith("BA_"):
            return one.keyword in NEEDED
        attribute = _ATTRIBUTE.match(body)
        return one.keyword in NEEDED and attribute is not None and attribute["name"] in _DEFINITIONS

    def _attribute(self, one: Statement, name: str) -> None:
        """Keep in mind that an attribute is used or defined."""
        if name not in _DEFINITIONS:
            return
        if one.keyword == "BA_DEF_":
            self.defined.add(name)
        else:
            self.used.setdefault(name, one.start)

    def _is_lost(self, one: Statement, body: str) -> bool:
        """Tell whether a statement is about what does not exist, or about what is left out."""
        about = _ABOUT.match(body)
        if not about or not one.is_whole:
            return False
        number = written_number(about["id"] or about["id_2"] or about["id_3"] or about["sent"])
        signal = about["signal"] or about["signal_2"]
        right = self.survey.identifiers.get(number, number)
        if right is None or number == UNSENT_ID or (right, signal) in self.losses.signals:
            return True
        if right in self.survey.signals and (not signal or signal in self.survey.signals[right]):
            return False
        what = f"signal {signal} of message {number}" if signal else f"message {number}"
        self.repairs.tell(
            one.start,
            f"{_WHAT[one.keyword]} of {what} ({one.keyword}) cannot be used, as there is no such "
            f"{'signal' if signal else 'message'}; left out",
        )
        return True

    def _names(self, one: Statement, body: str) -> str:
        """Put stand-ins for the names that begin with a digit, and identifiers as mended."""
        if one.keyword not in {"BO_", "SG_"} and (about := _ABOUT.match(body)):
            group = next(name for name in ("id", "id_2", "id_3", "sent") if about[name])
            number = written_number(about[group])
            if (right := self.survey.identifiers.get(number, number)) != number:
                body = f"{body[: about.start(group)]}{right}{body[about.end(group) :]}"
        if not self.survey.digit_names:
            return body
        return _outside(
            body, NAME, lambda word: f"{_STAND_IN if word[0] in self.survey.digit_names else ''}{word[0]}"
        )

    def _numbers(self, one: Statement, body: str) -> str:
        def whole(found: re.Match[str]) -> str:
            if found[2] is None:
                return found[0]
            reported.append(f"{found[1]}{found[2]}")
            return f"{found[1]}0{found[2]}"

        if not _MAYBE_SHORT_NUMBER.search(body):
            return body
        reported: list[str] = []
        body = _SHORT_NUMBER.sub(whole, body)
        if reported:
            self.repairs.tell(
                one.start, f"the number {reported[0]} is read as {reported[0].replace('.', '0.')}"
            )
        return body


def _outside(body: str, form: re.Pattern[str], to: Callable[[re.Match[str]], str]) -> str:
    """Return `body` with `form` replaced outside its texts."""
    parts = re.split(f"({TEXT})", body)
    return "".join(part if part.startswith('"') else form.sub(to, part) for part in parts)


def _blank(text: str) -> str:
    """Return as many lines, and what follows at its column unless that is far to the right."""
    rest = len(text) - text.rfind("\n") - 1
    return "\n" * text.count("\n") + " " * min(rest, _LONGEST_BLANK)
