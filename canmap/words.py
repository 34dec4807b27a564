"""Counted words, for the sentences of every room: the only place that forms a plural."""

from __future__ import annotations


def plural(count: int, noun: str) -> str:
    """Return a regular noun as it stands behind a count: "silence" of 1, "silences", "stretches"."""
    if count == 1:
        return noun
    return noun + ("es" if noun.endswith(("s", "x", "z", "ch", "sh")) else "s")


def times(count: int, noun: str) -> str:
    """Return "1 silence", "3 silences"."""
    return f"{count:,} {plural(count, noun)}"
