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

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

EXTENDED_FLAG = 0x8000_0000
UNSENT_ID = 0xC000_0000  # of the message that carries signals which no message sends; it is on no bus
_LARGEST_STANDARD, _LARGEST_EXTENDED = 0x7FF, 0x1FFF_FFFF
_MOST_CUT = 100  # statements without an end, each of which is looked for to the end of the text
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
_NEEDED = frozenset(
    ("BU_", "BO_", "SG_", "VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_", "BO_TX_BU_", "BA_", "BA_DEF_", "BA_DEF_DEF_")
)
_IDLE = frozenset(
    [
        "VERSION",
        "NS_",
        "BS_",
        "CM_",
        "VAL_TABLE_",
        "EV_",
        "ENVVAR_DATA_",
        "EV_DATA_",
        "SIG_GROUP_",
        "FILTER",
        "SIG_TYPE_REF_",
        "SGTYPE_",
        "SGTYPE_VAL_",
        "SIGTYPE_VALTYPE_",
        "CAT_",
        "CAT_DEF_",
        "NS_DESC_",
        "BA_REL_",
        "BA_DEF_REL_",
        "BA_DEF_DEF_REL_",
        "BA_DEF_SGTYPE_",
        "BA_SGTYPE_",
        "BU_SG_REL_",
        "BU_BO_REL_",
        "BU_EV_REL_",
    ]
)
_WORDS = "|".join(sorted(_NEEDED | _IDLE, key=len, reverse=True))
TEXT = r'"[^"\\]*+(?:\\"?[^"\\]*+)*?"'  # in steps of many characters: a comment may have millions
# All repeats are possessive: a damaged text may have any number of blanks or digits in a row.
_NUMBER = r"[-+]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][-+]?\d++)?"
_FORMS = {
    "VERSION": re.compile(rf"VERSION\s*+{TEXT}"),
    "NS_": re.compile(rf"NS_\s*+:(?:\s++(?:{_WORDS})(?!\w)(?=\s++(?:{_WORDS})(?!\w)|\s*+\Z))*+"),
    "BS_": re.compile(r"BS_\s*+:(?:[ \t]*+\d[\d:, \t]*+)?"),
    "BU_": re.compile(rf"BU_\s*+:(?:\s++(?!(?:{_WORDS})(?!\w))\w++)*+"),
    "BO_": re.compile(r"BO_\s++(?P<id>\d++)\s++(?P<name>\w++)\s*+:\s*+\d++\s++(?!SG_|BO_)(?P<sender>\w++)"),
    "SG_": re.compile(
        rf"SG_\s++(?P<name>\w++)(?:\s++\w++)?\s*+:\s*+{_NUMBER}\s*+\|\s*+{_NUMBER}\s*+@\s*+\d++\s*+[-+]\s*+"
        rf"\(\s*+{_NUMBER}\s*+,\s*+{_NUMBER}\s*+\)\s*+\[\s*+{_NUMBER}\s*+\|\s*+{_NUMBER}\s*+\]\s*+{TEXT}"
        r"\s*+(?!SG_|BO_)\w++(?:\s*+,\s*+\w++)*+"
    ),
}
_TO_SEMICOLON = re.compile(rf'(?:[^";]++|(?>{TEXT}))*+;')
_COMMENT = re.compile(rf"CM_\s*+(?:(?:SG_\s++\d++\s++|BU_\s++|EV_\s++)\w++|BO_\s++\d++)?\s*+(?P<text>{TEXT})")
_COMMENT_OPEN = re.compile(r"CM_\b[^\n]*")
_LOST_COMMENT = re.compile(rf"(?:SG_\s++\d++\s++\w++|BO_\s++\d++|BU_\s++\w++)\s*+{TEXT}\s*+;?")
_STATEMENT_AHEAD = re.compile(rf"\s*+(?:\Z|(?:{_WORDS})(?!\w))")
_NEXT_STATEMENT = re.compile(rf"^[ \t]*(?=(?:{_WORDS})(?!\w))", re.MULTILINE)
_UNKNOWN = re.compile(r"[A-Z]\w*")
_GAP = re.compile(r"(?:\s+|//[^\n]*)*+")
_WORD = re.compile(r"\w+")
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
    statements = list(_statements(text))
    if sum(one.is_cut for one in statements) >= _MOST_CUT:
        return Mended(text, (), {})
    if not any(one.keyword in _NEEDED | _IDLE for one in statements):
        return Mended(text, (), {})
    return _Mender(text, statements).mend()


@dataclass(frozen=True, slots=True)
class _Statement:
    """A piece of the text that is one statement; `wrong` says what is wrong with it as a whole.

    One `is_cut` that ends where the next one begins, for want of an end of its own.
    """

    keyword: str
    start: int
    end: int
    found: re.Match[str] | None = None
    wrong: str = ""
    is_cut: bool = False


def _statements(text: str) -> Iterator[_Statement]:
    place = _after(_GAP, text, 0)
    cut = 0
    while place < len(text) and cut < _MOST_CUT:
        one = _statement(text, place)
        cut += one.is_cut
        yield one
        place = _after(_GAP, text, max(one.end, place + 1))


def _after(form: re.Pattern[str], text: str, place: int) -> int:
    found = form.match(text, place)
    return found.end() if found else place


def _statement(text: str, start: int) -> _Statement:
    word = _WORD.match(text, start)
    keyword = word[0] if word else ""
    if keyword == "CM_":
        return _comment(text, start)
    if keyword in _FORMS:
        return _definition(keyword, text, start)
    if keyword in _NEEDED or keyword in _IDLE:
        # One without its end may not swallow what follows.
        found = _TO_SEMICOLON.match(text, start)
        return _Statement(keyword, start, found.end() if found else _next(text, start), is_cut=not found)
    if _UNKNOWN.match(text, start) and not text[text.rfind("\n", 0, start) + 1 : start].strip():
        after = _next(text, start)
        found = _TO_SEMICOLON.match(text, start, after)
        end = found.end() if found else after
        return _Statement("", start, end, wrong=f"the statement {keyword} is not known")
    return _Statement("?", start, word.end() if word else start + 1)


def _definition(keyword: str, text: str, start: int) -> _Statement:
    if found := _FORMS[keyword].match(text, start):
        return _Statement(keyword, start, found.end(), found)
    if lost := _LOST_COMMENT.match(text, start):
        return _Statement("", start, lost.end(), wrong="a comment lacks its keyword CM_")
    return _Statement(keyword, start, _next(text, start))


def _next(text: str, start: int) -> int:
    """Return where the next line with a statement begins, or the end of the text."""
    line_end = text.find("\n", start)
    found = _NEXT_STATEMENT.search(text, line_end) if line_end >= 0 else None
    return found.start() if found else len(text)


def _comment(text: str, start: int) -> _Statement:
    found = _COMMENT.match(text, start)
    if found:
        end = _after(_GAP, text, found.end())
        if text.startswith(";", end):
            return _Statement("CM_", start, end + 1, found)
        if _STATEMENT_AHEAD.match(text, found.end()):
            return _Statement("CM_", start, found.end(), found, "a comment lacks its semicolon")
    line = _COMMENT_OPEN.match(text, start)
    end = line.end() if line else start + 3
    after = _next(text, start)
    if text.startswith(";", after - 2) or text[end:after].count('"') == 1:
        end = after  # the text goes on for some lines
    return _Statement("CM_", start, end, None, "a comment cannot be read")


class _Mender:
    """Mends one text, statement by statement."""

    def __init__(self, text: str, statements: list[_Statement]) -> None:
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

    def _piece(self, one: _Statement) -> str:
        """Return what the library is to read of a statement."""
        body = self.text[one.start : one.end]
        if one.keyword == "BO_":
            self.dropping = False
        if one.wrong:
            self._tell(one.start, f"{one.wrong}; it is left out")
            return _blank(body)
        if one.keyword in {"BO_", "SG_"}:
            return self._definition(one, body)
        if self._is_lost(one, body) or one.keyword in _IDLE or not self._is_read(one, body):
            return _blank(body)
        return self._numbers(one, self._names(one, body))

    def _definition(self, one: _Statement, body: str) -> str:
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

    def _is_read(self, one: _Statement, body: str) -> bool:
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

    def _is_lost(self, one: _Statement, body: str) -> bool:
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

    def _names(self, one: _Statement, body: str) -> str:
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

    def _numbers(self, one: _Statement, body: str) -> str:
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
