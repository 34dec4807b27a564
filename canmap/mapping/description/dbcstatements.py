"""0. The text of a DBC cut into statements, whole or damaged, in time that grows only with its length.

A damaged statement ends where the next line begins that starts with a keyword: no search runs further.
"""

from __future__ import annotations

import functools
import re
from bisect import bisect_right
from typing import TYPE_CHECKING

from canmap.base.dataclass import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator

# What is read, and how it is written.
SHAPES = {
    "BO_": "BO_ identifier name: length sender",
    "SG_": 'SG_ name : start|length@order sign (factor,offset) [minimum|maximum] "unit" receivers',
    "VAL_": 'VAL_ identifier signal code "text" ... ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ identifier signal : 0, 1 or 2 ;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ identifier signal selector first-last, ... ;",
    "BO_TX_BU_": "BO_TX_BU_ identifier : nodes ;",
    "BA_": 'BA_ "attribute" object value ;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "attribute" value ;',
}
NEEDED = frozenset(SHAPES)
_IDLE = frozenset(
    [
        "VERSION",
        "NS_",
        "BS_",
        "BU_",
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
        "BA_DEF_",
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
_WORDS = "|".join(sorted(NEEDED | _IDLE, key=len, reverse=True))
TEXT = r'"[^"\\]*+(?:\\"?[^"\\]*+)*?"'  # in steps of many characters: a comment may have millions
# All repeats are possessive: a damaged text may have any number of blanks or digits in a row. Python makes
# no number of more than 4,300 digits.
_DIGITS = r"\d{1,400}+"
_WHOLE = rf"[-+]?{_DIGITS}"
_NUMBER = rf"[-+]?(?:{_DIGITS}(?:\.(?:{_DIGITS})?)?|\.{_DIGITS})(?:[eE][-+]?\d++)?"
_BLANK = r"(?:[ \t\r\n]++|//[^\n]*+\n)"
# A name is no keyword and no number; the library cannot tell them apart.
_NAME = rf"(?!(?:{_WORDS}|\d++(?:[eE]\d++)?)(?!\w))\w++"


def _form(*parts: str) -> str:
    """Return the form of a statement: parts with blanks or comments between them, or none."""
    return f"{_BLANK}*+".join(parts)


def _list(item: str) -> str:
    return rf"{item}(?:{_BLANK}*+,{_BLANK}*+{item})*+"


_OBJECT = (
    rf"(?:(?:BO_{_BLANK}++\d++|SG_{_BLANK}++\d++{_BLANK}++{_NAME}|(?:BU_|EV_){_BLANK}++{_NAME})(?!\w))?+"
)
_FORMS = {
    "VERSION": _form("VERSION", TEXT),
    "BS_": _form("BS_", r":(?:[ \t]*+\d[\d:, \t]*+)?"),
    "BU_": _form("BU_", rf":(?:\s++{_NAME})*+"),
    "BO_": _form(
        rf"BO_{_BLANK}++(?P<id>\d++){_BLANK}++(?P<name>{_NAME})",
        ":",
        rf"(?P<length>\d++){_BLANK}++(?P<sender>{_NAME})",
    ),
    "SG_": _form(
        rf"SG_{_BLANK}++(?P<name>{_NAME})(?:{_BLANK}++(?P<marker>m\d{{1,18}}+M?|M)(?!\w))?+",
        ":",
        rf"(?P<start>{_WHOLE})",
        r"\|",
        rf"(?P<bits>{_WHOLE})",
        *("@", "[01]", "[-+]", r"\(", _NUMBER, ",", _NUMBER, r"\)", r"\[", _NUMBER, r"\|", _NUMBER, r"\]"),
        TEXT,
        _list(_NAME),
    ),
    "VAL_": _form(
        rf"VAL_{_BLANK}++(?:(?P<id>\d++){_BLANK}++)?(?P<signal>{_NAME})",
        rf"(?:{_WHOLE}{_BLANK}*+(?>{TEXT}){_BLANK}*+)*+;",
    ),
    "SIG_VALTYPE_": _form(
        rf"SIG_VALTYPE_{_BLANK}++(?P<id>\d++){_BLANK}++(?P<signal>{_NAME})", ":", "(?P<kind>[012])", ";"
    ),
    "SG_MUL_VAL_": _form(
        rf"SG_MUL_VAL_{_BLANK}++(?P<id>\d++){_BLANK}++(?P<signal>{_NAME}){_BLANK}++{_NAME}{_BLANK}++"
        rf"(?P<ranges>{_list(rf'{_DIGITS}{_BLANK}*+-{_BLANK}*+{_DIGITS}')})",
        ";",
    ),
    "BO_TX_BU_": _form(rf"BO_TX_BU_{_BLANK}++(?P<sent>\d++)", ":", _list(_NAME), ";"),
    "BA_": _form("BA_", TEXT, _OBJECT, f"(?P<value>{_NUMBER}|{TEXT})", ";"),
    "BA_DEF_DEF_": _form("BA_DEF_DEF_", TEXT, f"(?P<value>{_NUMBER}|{TEXT})", ";"),
}


@functools.cache
def _pattern(keyword: str) -> re.Pattern[str]:
    """Compile the form of a statement when one comes: it takes long, and no description has all of them."""
    return re.compile(_FORMS[keyword], re.ASCII)


# Keywords, each before another one or the end, or words of which each has a line of its own.
_NEW_SYMBOLS = re.compile(
    rf"NS_\s*+:(?:\s++(?:{_WORDS})(?!\w)(?=\s++(?:{_WORDS})(?!\w)|\s*+\Z)"
    r"|[ \t\r]*+\n\s*+\w++(?=[ \t\r]*+(?:\n|\Z)))*+"
)
_TO_SEMICOLON = re.compile(rf'(?:[^";]++|(?>{TEXT}))*+;')
_COMMENT = re.compile(rf"CM_\s*+(?:(?:SG_\s++\d++\s++|BU_\s++|EV_\s++)\w++|BO_\s++\d++)?\s*+(?P<text>{TEXT})")
_COMMENT_OPEN = re.compile(r"CM_\b[^\n]*")
_LOST_COMMENT = re.compile(rf"(?:SG_\s++\d++\s++\w++|BO_\s++\d++|BU_\s++\w++)\s*+{TEXT}\s*+;?")
_STATEMENT_AHEAD = re.compile(rf"\s*+(?:\Z|(?:{_WORDS})(?!\w))")
_STATEMENT_LINE = re.compile(rf"^[ \t]*+(?=(?:{_WORDS})(?!\w))", re.MULTILINE)
_UNKNOWN = re.compile(r"[A-Z]\w*+")
_GAP = re.compile(r"(?:[ \t\r\n]++|//[^\n]*+)*+")
_LINE = re.compile(r"[^\n]*+")
_WORD = re.compile(r"\w++", re.ASCII)
_SHOWN = re.compile(r"\w{1,40}|\S")
_SOME_MESSAGE = re.compile(r"(?<!\w)BO_(?!\w)")


@dataclass(frozen=True, slots=True)
class Statement:
    """A piece of the text that is one statement.

    Attributes:
        keyword: Its first word; "" where that is no keyword.
        start: Where it starts.
        end: Where it ends; for a damaged one where the next one begins.
        found: What was found in it; None for one that is damaged, or of which nothing is read.
        is_whole: Whether it is as a DBC has it.
        wrong: What is wrong with it, where nothing needs to be known of it.
    """

    keyword: str
    start: int
    end: int
    found: re.Match[str] | None = None
    is_whole: bool = True
    wrong: str = ""

    def hides_a_message(self, text: str) -> bool:
        """Tell whether it is damaged, and a message may begin within it, to which the next signal belongs."""
        if self.is_whole or self.keyword == "CM_":
            return False
        return bool(_SOME_MESSAGE.search(text, self.start + len(self.keyword), self.end))


def statements(text: str) -> Iterator[Statement]:
    """Yield the statements of a text; what stands between them are blanks and comments of its lines."""
    lines = [found.start() for found in _STATEMENT_LINE.finditer(text)]
    end, place = 0, _after(_GAP, text, 0)
    while place < len(text):
        index = bisect_right(lines, place)
        begins_line = not end or text.find("\n", end - 1, place) >= 0
        one = _statement(text, place, lines[index] if index < len(lines) else len(text), begins_line)
        yield one
        end = max(one.end, place + 1)
        place = _after(_GAP, text, end)


def _after(form: re.Pattern[str], text: str, place: int) -> int:
    found = form.match(text, place)
    return found.end() if found else place


def _statement(text: str, start: int, after: int, begins_line: bool) -> Statement:
    """Return the statement at a place; the next line with a statement begins at `after`."""
    word = _WORD.match(text, start)
    keyword = word[0] if word else ""
    if keyword == "CM_":
        return _comment(text, start, after)
    if keyword == "NS_" and (listed := _NEW_SYMBOLS.match(text, start)):
        return Statement(keyword, start, listed.end(), listed)
    if keyword in _FORMS:
        return _of_a_form(keyword, text, start, after)
    is_unknown = begins_line and _UNKNOWN.match(text, start)
    if keyword not in _IDLE and not is_unknown:
        shown = _SHOWN.search(text, start)
        what = f"{shown[0] if shown else keyword!r} cannot stand here"
        return Statement("", start, _after(_LINE, text, start), is_whole=False, wrong=what)
    ended = _TO_SEMICOLON.match(text, start, after)
    end = ended.end() if ended else after
    if keyword in _IDLE:
        return Statement(keyword, start, end, ended, is_whole=bool(ended))
    return Statement("", start, end, is_whole=False, wrong=f"the statement {keyword} is unknown")


def _of_a_form(keyword: str, text: str, start: int, after: int) -> Statement:
    if found := _pattern(keyword).match(text, start, after):
        return Statement(keyword, start, found.end(), found)
    if lost := _LOST_COMMENT.match(text, start, after):
        return Statement("", start, lost.end(), wrong="a comment lacks its keyword CM_")
    return Statement(keyword, start, after, is_whole=False)


def _comment(text: str, start: int, after: int) -> Statement:
    found = _COMMENT.match(text, start)
    if found:
        end = _after(_GAP, text, found.end())
        if text.startswith(";", end):
            return Statement("CM_", start, end + 1, found)
        if _STATEMENT_AHEAD.match(text, found.end()):
            return Statement("CM_", start, found.end(), found, wrong="a comment lacks its semicolon")
    line = _COMMENT_OPEN.match(text, start)
    end = line.end() if line else start + 3
    if text.startswith(";", after - 2) or text[end:after].count('"') == 1:
        end = after  # the text goes on for some lines
    return Statement("CM_", start, end, is_whole=False, wrong="a comment cannot be read")
