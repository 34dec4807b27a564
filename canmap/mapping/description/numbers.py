"""0. Numbers of a DBC as they are written: how large one can be, and which cannot be at all."""

from __future__ import annotations

import re

from canmap.mapping.description.dbcstatements import TEXT

LONGEST_MESSAGE = 1785  # bytes, of a J1939 transport: 255 packets of 7 (SAE J1939-21, from memory)
LARGEST_POWER = 400  # of ten; floating-point numbers end at 308
_MOST_DIGITS = 20
_WHOLE = re.compile(r"([-+]?)(\d+)")
_POWER = re.compile(rf"{TEXT}|(?<![\w.])((?:\d++(?:\.\d*+)?|\.\d++)[eE])[-+]?0*+(\d++)")
_MAYBE_POWER = re.compile(r"[eE][-+]?\d{3}")  # without it there is none that is too large


def written_number(digits: str) -> int:
    """Return a number as it is written; of too many digits to be one here, the largest of so many."""
    if len(digits) <= _MOST_DIGITS and digits.isdecimal():  # nearly always, and quicker
        return int(digits)
    found = _WHOLE.match(digits)
    if not found:
        return 0
    number = int(found[2]) if len(found[2]) <= _MOST_DIGITS else int("9" * _MOST_DIGITS)
    return -number if found[1] == "-" else number


def impossible_power(body: str) -> str:
    """Return the first number of a statement whose exponent cannot be; "" where there is none.

    The library writes numbers out, whatever their exponent, which can take for ever.
    """
    if not _MAYBE_POWER.search(body):
        return ""
    return next((found[0] for found in _POWER.finditer(body) if _is_impossible(found)), "")


def without_powers(body: str) -> str:
    """Return a statement with numbers too large for any quantity for those whose exponent cannot be."""
    return _POWER.sub(lambda found: "1e300" if _is_impossible(found) else found[0], body)


def _is_impossible(found: re.Match[str]) -> bool:
    return found[1] is not None and written_number(found[2]) > LARGEST_POWER
