"""Numbers and lists in sentences: few digits, the unit that the reader of the spec thinks in, few names."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


def number(value: float) -> str:
    """Return the value with five significant digits at most, without an exponent where it can be helped."""
    if not math.isfinite(value):
        return "beyond any number"
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    text = f"{value:.5g}"
    return f"{value:.0f}" if "e+" in text and abs(value) < 1e15 else text


def seconds(duration_ns: float) -> str:
    """Return a duration in s, or in ms below one."""
    if abs(duration_ns) < 1e9:
        return f"{number(duration_ns / 1e6)} ms"
    return f"{number(duration_ns / 1e9)} s"


def plural(count: int, noun: str) -> str:
    """Return a regular noun as it stands behind a count: "silence" of 1, "silences", "stretches"."""
    if count == 1:
        return noun
    return noun + ("es" if noun.endswith(("s", "x", "z", "ch", "sh")) else "s")


def times(count: int, noun: str) -> str:
    """Return "1 silence", "3 silences"."""
    return f"{count:,} {plural(count, noun)}"


def listed(names: Iterable[str], joint: str = "or") -> str:
    """Return "a, b or c"."""
    *head, last = list(names)
    return f"{', '.join(head)} {joint} {last}" if head else last


def first_of(names: Sequence[str], most: int) -> str:
    """Return "a, b and c", or "a, b and 3 more" where there are more than `most`."""
    shown = list(names[:most])
    return listed([*shown, f"{len(names) - most} more"] if len(names) > most else shown, "and")
