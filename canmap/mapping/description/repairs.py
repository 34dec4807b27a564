"""0. What was mended in a description or left out of it, and the line of it."""

from __future__ import annotations

import re
from bisect import bisect_right

from canmap.base.dataclass import dataclass


@dataclass(frozen=True, slots=True)
class Repair:
    """What was mended or left out: its line, and a sentence that says so."""

    line: int
    text: str

    def at(self, file: str) -> str:
        """Return "file:line: text", without the line where it is not known."""
        return f"{file}:{self.line}: {self.text}" if self.line else f"{file}: {self.text}"


class RepairList:
    """The repairs of a text, as they are made.

    Attributes:
        made: All of them so far.
    """

    def __init__(self, text: str) -> None:
        """Begin with none."""
        self.made: list[Repair] = []
        self._line_starts = [0, *(found.end() for found in re.finditer("\n", text))]

    def line(self, place: int) -> int:
        """Return the line of a place in the text."""
        return bisect_right(self._line_starts, place)

    def tell(self, place: int, text: str) -> Repair:
        """Add what was mended or left out at a place; the sentence gets its full stop."""
        repair = Repair(self.line(place), f"{text}.")
        self.made.append(repair)
        return repair
