"""The lines of a page, and how one is wrapped."""

from __future__ import annotations

import re
import textwrap
from enum import Enum
from typing import NamedTuple

from canmap.base.errors import printable

LEAST_LABEL, LEAST_ROOM = 6, 24  # a long label stands alone where less room is left beside it
TOGETHER = "\u00a0"  # a blank at which no line ends
_BEHIND_NUMBER = re.compile(r"(?<=\d) (?=[^\s\d])")  # where its unit stands, or what is counted


class Style(Enum):
    """How a line stands out."""

    PLAIN = 0
    HEADING = 1
    FAINT = 2
    DRAWN = 3  # its blanks matter: it is never wrapped


class PageLine(NamedTuple):
    """A line of the page.

    Attributes:
        text: What it says.
        indent: Blanks before it.
        style: How it stands out.
        label: Stands before the text, which goes on below its own begin.
    """

    text: str
    indent: int = 0
    style: Style = Style.PLAIN
    label: str = ""


def wrapped(line: PageLine, width: int) -> list[str]:
    """Return a line of the page as lines that are no wider, what is drawn as it is."""
    text, blanks = printable(line.text), " " * line.indent
    if line.style is Style.DRAWN:
        return [blanks + text]
    text = _BEHIND_NUMBER.sub(TOGETHER, text)
    room = width - line.indent
    if len(line.label) > LEAST_LABEL and room - len(line.label) < LEAST_ROOM:  # the text goes below it
        label, rest = PageLine(line.label.rstrip(), line.indent), PageLine(line.text, line.indent + 2)
        return [*wrapped(label, width), *wrapped(rest, width)]
    further = " " * (len(line.label) or 2)
    lines = textwrap.wrap(
        text,
        max(room, len(further) + 8),
        initial_indent=line.label,
        subsequent_indent=further,
        break_on_hyphens=False,
    )
    return [blanks + one.replace(TOGETHER, " ") for one in lines or [""]]
