"""The published check values that travel with the project: each has its source, and a test that reads it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.published import PUBLISHED

TESTS = Path(__file__).parent.parent
FILES = sorted(path.name for path in PUBLISHED.iterdir() if path.name != "README.md")


def test_every_table_has_its_source() -> None:
    text = (PUBLISHED / "README.md").read_text(encoding="utf-8")
    lines = [line.split("|")[1:-1] for line in text.splitlines() if line.startswith("| `")]
    assert all(cell.strip() for line in lines for cell in line)
    assert sorted(name for line in lines for name in re.findall(r"`(\S+)`", line[0])) == FILES


@pytest.mark.parametrize("name", FILES)
def test_every_table_is_read_by_a_test(name: str) -> None:
    said = f'table("{name.removesuffix(".csv")}")' if name.endswith(".csv") else f'PUBLISHED / "{name}"'
    assert [path.name for path in TESTS.rglob("*.py") if said in path.read_text(encoding="utf-8")]
