"""Numbers of the diagnosis say by their names of what they are: a name means one thing in all modules."""

from __future__ import annotations

import ast
from collections import defaultdict
from importlib import import_module
from pathlib import Path

import canmap.diagnosis

FOLDER = Path(canmap.diagnosis.__file__).parent
BARE = {"LEAST", "MOST", "BEFORE_NS", "AFTER_NS", "LEAST_NS", "LONGEST_NS", "TIMES"}


def constants() -> dict[str, dict[str, object]]:
    """What is assigned at the top of each module, by name and module."""
    found: dict[str, dict[str, object]] = defaultdict(dict)
    for path in FOLDER.rglob("*.py"):
        module = ".".join(("canmap.diagnosis", *path.relative_to(FOLDER).with_suffix("").parts))
        for statement in ast.parse(path.read_text(encoding="utf-8")).body:
            targets = statement.targets if isinstance(statement, ast.Assign) else []
            names = [node.id for one in targets for node in ast.walk(one) if isinstance(node, ast.Name)]
            for name in names:
                found[name][module] = getattr(import_module(module), name)
    return found


def test_no_name_leaves_open_of_what_it_is() -> None:
    assert not BARE & set(constants())


def test_no_name_has_two_values() -> None:
    told = constants()
    assert len(told) > 100
    several = {name: by_module for name, by_module in told.items() if len(by_module) > 1}
    assert not [
        name for name, by_module in several.items() if len({repr(one) for one in by_module.values()}) > 1
    ]
