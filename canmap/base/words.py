"""Numbers in the sentences of findings: few digits, the unit that the reader of the spec thinks in."""

from __future__ import annotations

import math


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
