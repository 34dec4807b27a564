"""0. The text of a DBC cut into statements, whole or damaged, in time that grows only with its length."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_CUT = 100  # statements without an end, each of which is looked for to the end of the text
NEEDED = frozenset(
    ("BU_", "BO_", "SG_", "VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_", "BO_TX_BU_", "BA_", "BA_DEF_", "BA_DEF_DEF_")
)
IDLE = frozenset(
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
_WORDS = "|".join(sorted(NEEDED | IDLE, key=len, reverse=True))
TEXT = r'"[^"\\]*+(?:\\"?[^"\\]*+)*?"'  # in steps of many characters: a comment may have millions
# All repeats are possessive: a damaged text may have any number of blanks or digits in a row.
NUMBER = r"[-+]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][-+]?\d++)?"
_FORMS = {
    "VERSION": re.compile(rf"VERSION\s*+{TEXT}"),
    "NS_": re.compile(rf"NS_\s*+:(?:\s++(?:{_WORDS})(?!\w)(?=\s++(?:{_WORDS})(?!\w)|\s*+\Z))*+"),
    "BS_": re.compile(r"BS_\s*+:(?:[ \t]*+\d[\d:, \t]*+)?"),
    "BU_": re.compile(rf"BU_\s*+:(?:\s++(?!(?:{_WORDS})(?!\w))\w++)*+"),
    "BO_": re.compile(
        r"BO_\s++(?P<id>\d++)\s++(?P<name>\w++)\s*+:\s*+(?P<length>\d++)\s++(?!SG_|BO_)(?P<sender>\w++)"
    ),
    "SG_": re.compile(
        rf"SG_\s++(?P<name>\w++)(?:\s++\w++)?\s*+:\s*+(?P<start>{NUMBER})\s*+\|\s*+(?P<bits>{NUMBER})\s*+"
        rf"@\s*+\d++\s*+[-+]\s*+\(\s*+{NUMBER}\s*+,\s*+{NUMBER}\s*+\)\s*+\[\s*+{NUMBER}\s*+\|\s*+{NUMBER}\s*+\]\s*+{TEXT}"
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


@dataclass(frozen=True, slots=True)
class Statement:
    """A piece of the text that is one statement; `wrong` says what is wrong with it as a whole.

    One `is_cut` that ends where the next one begins, for want of an end of its own.
    """

    keyword: str
    start: int
    end: int
    found: re.Match[str] | None = None
    wrong: str = ""
    is_cut: bool = False


def statements(text: str) -> Iterator[Statement]:
    """Yield the statements of a text; the rest is left out once `MOST_CUT` of them had no end."""
    place = _after(_GAP, text, 0)
    cut = 0
    while place < len(text) and cut < MOST_CUT:
        one = _statement(text, place)
        cut += one.is_cut
        yield one
        place = _after(_GAP, text, max(one.end, place + 1))


def _after(form: re.Pattern[str], text: str, place: int) -> int:
    found = form.match(text, place)
    return found.end() if found else place


def _statement(text: str, start: int) -> Statement:
    word = _WORD.match(text, start)
    keyword = word[0] if word else ""
    if keyword == "CM_":
        return _comment(text, start)
    if keyword in _FORMS:
        return _definition(keyword, text, start)
    if keyword in NEEDED or keyword in IDLE:
        # One without its end may not swallow what follows.
        found = _TO_SEMICOLON.match(text, start)
        return Statement(keyword, start, found.end() if found else _next(text, start), is_cut=not found)
    if _UNKNOWN.match(text, start) and not text[text.rfind("\n", 0, start) + 1 : start].strip():
        after = _next(text, start)
        found = _TO_SEMICOLON.match(text, start, after)
        end = found.end() if found else after
        return Statement("", start, end, wrong=f"the statement {keyword} is not known")
    return Statement("?", start, word.end() if word else start + 1)


def _definition(keyword: str, text: str, start: int) -> Statement:
    if found := _FORMS[keyword].match(text, start):
        return Statement(keyword, start, found.end(), found)
    if lost := _LOST_COMMENT.match(text, start):
        return Statement("", start, lost.end(), wrong="a comment lacks its keyword CM_")
    return Statement(keyword, start, _next(text, start))


def _next(text: str, start: int) -> int:
    """Return where the next line with a statement begins, or the end of the text."""
    line_end = text.find("\n", start)
    found = _NEXT_STATEMENT.search(text, line_end) if line_end >= 0 else None
    return found.start() if found else len(text)


def _comment(text: str, start: int) -> Statement:
    found = _COMMENT.match(text, start)
    if found:
        end = _after(_GAP, text, found.end())
        if text.startswith(";", end):
            return Statement("CM_", start, end + 1, found)
        if _STATEMENT_AHEAD.match(text, found.end()):
            return Statement("CM_", start, found.end(), found, "a comment lacks its semicolon")
    line = _COMMENT_OPEN.match(text, start)
    end = line.end() if line else start + 3
    after = _next(text, start)
    if text.startswith(";", after - 2) or text[end:after].count('"') == 1:
        end = after  # the text goes on for some lines
    return Statement("CM_", start, end, None, "a comment cannot be read")
