"""All programs that measure are started in one way, from the checkout, as their first lines say."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "tests" / "bench"
MODULES = {path.stem: path.read_text(encoding="utf-8") for path in sorted(BENCH.glob("*.py"))}
PROGRAMS = [name for name, text in MODULES.items() if "__main__" in text]


@pytest.mark.parametrize("name", PROGRAMS)
def test_a_program_says_how_it_is_started(name: str) -> None:
    said = ast.get_docstring(ast.parse(MODULES[name])) or ""
    assert re.search(rf"python -m tests\.bench\.{name}\b", said)


@pytest.mark.parametrize("name", MODULES)
def test_none_needs_to_be_started_from_its_own_folder(name: str) -> None:
    imported = [node for node in ast.walk(ast.parse(MODULES[name])) if isinstance(node, ast.ImportFrom)]
    assert not [node.module for node in imported if node.module in MODULES]


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_the_pages_start_them_so_too(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    assert not re.search(r"python (?:\S*/)?tests/bench/", text)
    assert set(re.findall(r"tests\.bench\.(\w+)", text)) <= set(PROGRAMS)


def test_every_program_stands_in_the_table() -> None:
    table = (
        (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("| `python -m tests.bench.`... |")[2]
    )
    table = table.partition("\n\n")[0]
    of_others = {"traffic", "plain_loop", "bag_loop"}  # which `compare` and `exports` start
    assert {name for name in PROGRAMS if not re.search(rf"`{name}[` ]", table)} == of_others
