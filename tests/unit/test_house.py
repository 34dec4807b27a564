"""The house rules: sizes, docstrings, the direction of imports, what lies at the top."""

from __future__ import annotations

import ast
import subprocess
from functools import cache
from pathlib import Path

import pytest

import canmap

ROOT = Path(canmap.__file__).parent.parent
MODULES = sorted((ROOT / "canmap").rglob("*.py"))
SOURCES = MODULES + sorted((ROOT / "tests").rglob("*.py")) + sorted((ROOT / "captures").glob("*.py"))
LONGEST_FILE, LONGEST_FUNCTION = 400, 60

# Each stage and what of the package it may import beside itself; the single modules at the top of the package
# are stages of their own. `None`: anything but the command line.
COMMON = {"words", "chunks", "errors", "vocabulary", "spec"}
MAY_IMPORT: dict[str, set[str] | None] = {
    "errors": set(),
    "vocabulary": set(),
    "memory": set(),
    "chunks": set(),
    "extras": {"errors"},
    "formats": set(),
    "seal": set(),
    "words": set(),
    "spec": {"errors", "vocabulary", "words"},
    "session": set(),
    "holes": {"chunks"},
    "clock": {"chunks", "session"},
    "frames": (COMMON | {"extras", "formats", "seal", "session"}) - {"spec"},
    "signals": COMMON,
    "payload": {"errors", "spec"},
    "prepare": {*COMMON, "signals"},
    "activity": {*COMMON, "signals"},
    "arrivals": {*COMMON, "activity", "holes", "session", "signals"},
    "checks": {*COMMON, "arrivals", "prepare", "records", "session", "signals"},
    "records": {*COMMON, "checks", "prepare", "signals"},
    "outputs": {*COMMON, "checks", "extras", "formats", "records", "seal"},
    "simulator": {*COMMON, "clock", "payload", "extras", "formats", "outputs"},
    "summary": {*COMMON, "arrivals", "records"},
    "engine": None,
    "inspection": None,
    "run": None,
    "transcript": None,
    "api": None,
    "cli": None,
    "__init__": None,
    "__main__": None,
}
ONLY_IN = {
    "cantools": ["spec/database.py"],
    "can": ["extras.py"],
    "rich": ["cli/"],
    "typer": ["cli/"],
    "yaml": ["spec/", "simulator/truth.py"],
    "polars": ["records/columns.py", "outputs/", "extras.py"],
}
# What the repository holds at its top, and what tools put there.
TOP = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", ".gitignore",
    "canmap", "specs", "captures", "tests", "shared",
}  # fmt: skip


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.fixture(scope="module")
def trees() -> dict[Path, ast.Module]:
    return {path: ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES}


def stage_of(path: Path) -> str:
    return path.relative_to(ROOT / "canmap").parts[0].removesuffix(".py")


@cache
def imports(path: Path, *, at_run_time: bool) -> set[str]:
    """Dotted names that a module imports; for `at_run_time` without those that only types need."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    found: set[str] = set()
    for node in ast.walk(tree):
        if at_run_time and id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_files_are_short(trees: dict[Path, ast.Module]) -> None:
    lengths = {named(path): len(path.read_text(encoding="utf-8").splitlines()) for path in trees}
    assert {name: length for name, length in lengths.items() if length > LONGEST_FILE} == {}


def test_functions_fit_on_a_screen(trees: dict[Path, ast.Module]) -> None:
    long = [
        f"{named(path)}:{node.lineno} {node.name}"
        for path, tree in trees.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and (node.end_lineno or 0) - node.lineno + 1 > LONGEST_FUNCTION
    ]
    assert long == []


def test_every_module_says_what_it_is(trees: dict[Path, ast.Module]) -> None:
    empty = [path for path in trees if path.name == "__init__.py" and "tests" in path.parts]
    assert [named(path) for path in trees if path not in empty and not ast.get_docstring(trees[path])] == []


def test_public_names_are_documented_and_there() -> None:
    assert len(canmap.__all__) <= 15
    for name in canmap.__all__:
        assert getattr(canmap, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = canmap.nothing


def test_imports_go_one_way() -> None:
    wrong = []
    for path in MODULES:
        stage = stage_of(path)
        assert stage in MAY_IMPORT, f"{named(path)} is a stage that this test does not know"
        for name in sorted(imports(path, at_run_time=True)):
            parts = name.split(".")
            if parts[0] != "canmap" or len(parts) < 2 or parts[1] == "__version__":
                continue
            allowed = MAY_IMPORT[stage]
            ok = parts[1] == stage or (parts[1] != "cli" if allowed is None else parts[1] in allowed)
            if not ok and not (stage in {"__main__"} and parts[1] == "cli"):
                wrong.append(f"{named(path)} imports {name}")
    assert wrong == []


def test_the_command_line_is_imported_by_nobody() -> None:
    users = [
        named(path)
        for path in MODULES
        if stage_of(path) not in {"cli", "__main__"}
        and any(name.startswith("canmap.cli") for name in imports(path, at_run_time=False))
    ]
    assert users == []


@pytest.mark.parametrize("library", ONLY_IN)
def test_a_library_is_used_in_its_place_only(library: str) -> None:
    users = {
        named(path).removeprefix("canmap/")
        for path in MODULES
        if any(name.split(".")[0] == library for name in imports(path, at_run_time=True))
    }
    assert [user for user in sorted(users) if not user.startswith(tuple(ONLY_IN[library]))] == []


def test_only_the_clock_sleeps() -> None:
    users = {named(path) for path in MODULES for name in imports(path, at_run_time=True) if name == "time"}
    assert users <= {"canmap/clock.py", "canmap/cli/progress.py"}


def test_nothing_is_asserted_that_input_can_cause(trees: dict[Path, ast.Module]) -> None:
    asserts = [
        f"{named(path)}:{node.lineno}"
        for path in MODULES
        for node in ast.walk(trees[path])
        if isinstance(node, ast.Assert)
    ]
    assert asserts == []


def test_the_top_of_the_repository() -> None:
    try:
        listed = subprocess.run(
            ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=20, check=True
        ).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this is not a checkout")
    visible = {Path(line).parts[0] for line in listed.splitlines() if not line.startswith(".")}
    assert visible <= TOP
