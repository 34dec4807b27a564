"""Counted words: one place forms plurals, for whatever noun."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import canmap
from canmap.base.words import plural, times


@pytest.mark.parametrize(
    ("noun", "more"),
    # English spelling: -es after a hissing sound, else -s (common practice).
    [
        ("frame", "frames"),
        ("more stretch", "more stretches"),
        ("bus", "buses"),
        ("source address", "source addresses"),
        ("box", "boxes"),
        ("flash", "flashes"),
    ],
)
def test_a_plural_is_spelt_as_its_sound_wants(noun: str, more: str) -> None:
    assert (plural(1, noun), plural(0, noun), plural(2, noun)) == (noun, more, more)
    assert (times(1, noun), times(1200, noun)) == (f"1 {noun}", f"1,200 {more}")


def test_no_other_place_forms_a_plural() -> None:
    """Neither by appending an s on a condition, nor by a fixed "more stretches" behind any count."""
    formed = re.compile(r"'s' (if|\*)|\"s\" (if|\*)|else ['\"]s['\"]|\} more [a-z]+s\b")
    package = Path(canmap.__file__).parent
    found = [
        f"{path.name}:{number}"
        for path in package.rglob("*.py")
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if formed.search(line) and path.name != "words.py"
    ]
    assert not found
