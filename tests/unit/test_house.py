"""The house rules: sizes, docstrings, the direction of imports, what lies at the top."""

from __future__ import annotations

import ast
import subprocess
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

import canmap

ROOT = Path(canmap.__file__).parent.parent
MODULES = sorted((ROOT / "canmap").rglob("*.py"))
SOURCES = MODULES + sorted((ROOT / "tests").rglob("*.py")) + sorted((ROOT / "captures").glob("*.py"))
LONGEST_FILE, LONGEST_FUNCTION = 400, 60

# The rooms in the order in which data flows: a room may import itself and those before it, for types too.
ROOMS = (
    "base", "vocabulary", "mapping", "payload", "frames", "signals", "timing", "records", "findings",
    "stream", "checks", "summaries", "engine", "results", "diagnosis",
    "topics", "outputs", "api", "simulator", "cli",
)  # fmt: skip
IN_CHECKS = (
    "check", "common", "recording", "buses", "protection", "arrivals", "values", "states", "axes", "nodes",
    "faults", "gateways", "all",
)  # fmt: skip
IN_DIAGNOSIS = ("onsets", "facts", "cause_table", "scoring", "diagnosis", "telling")
IN_SIMULATOR = (
    "noise",
    "buses",
    "cart",
    "recorders",
    "wire_setup",
    "wires",
    "scenario",
    "truth",
    "simulation",
    "live",
)
# Two files or public classes of one name are two things that somebody will take for one another; a job of
# `api` and its command of `cli` are the same one.
SAME_NAME = {"inspect", "transcribe", "export", "diagnose"}
ONLY_IN = {
    "cantools": ["mapping/description/database.py"],
    "can": ["base/extras.py"],
    "rich": ["cli/"],
    "yaml": ["mapping/reading/", "simulator/truth.py"],
    "polars": ["records/columns.py", "outputs/", "base/extras.py"],
    "pyarrow": ["base/extras.py"],
    "mcap": ["outputs/bags/", "base/extras.py"],
    "rclpy": ["base/extras.py", "outputs/node/rosnode.py"],
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
    assert len(canmap.__all__) <= 20
    for name in canmap.__all__:
        assert getattr(canmap, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = canmap.nothing


def parts_of(dotted: str) -> tuple[str, ...]:
    return tuple(dotted.split(".")[1:])


def test_imports_go_one_way() -> None:
    wrong = []
    for path in MODULES:
        room = stage_of(path)
        if room in {"__init__", "__main__"}:
            continue
        assert room in ROOMS, f"{named(path)} is in a room that this test does not know"
        for name in sorted(imports(path, at_run_time=False)):
            parts = parts_of(name) if name.split(".")[0] == "canmap" else ()
            if parts and parts[0] in ROOMS and ROOMS.index(parts[0]) > ROOMS.index(room):
                wrong.append(f"{named(path)} imports {name}")
    assert wrong == []


@pytest.mark.parametrize(
    ("room", "order"), [("checks", IN_CHECKS), ("diagnosis", IN_DIAGNOSIS), ("simulator", IN_SIMULATOR)]
)
def test_imports_go_one_way_within_a_room(room: str, order: tuple[str, ...]) -> None:
    def place(parts: tuple[str, ...]) -> int:
        return order.index(parts[1])

    wrong = []
    for path in sorted((ROOT / "canmap" / room).rglob("*.py")):
        mine = path.relative_to(ROOT / "canmap").with_suffix("").parts
        if mine[-1] == "__init__":
            continue
        for name in sorted(imports(path, at_run_time=False)):
            parts = parts_of(name)
            if name.startswith(f"canmap.{room}.") and place(parts) > place(mine):
                wrong.append(f"{named(path)} imports {name}")
    assert wrong == []


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def test_no_modules_import_each_other_in_a_circle() -> None:
    uses = {
        module_of(path): imports(path, at_run_time=False) & {module_of(other) for other in MODULES}
        for path in MODULES
        if path.name not in {"__init__.py", "__main__.py"}
    }
    while free := [name for name, used in uses.items() if not used & uses.keys()]:
        for name in free:
            del uses[name]
    assert uses == {}, "these import each other"


def test_no_name_stands_for_two_things(trees: dict[Path, ast.Module]) -> None:
    files = [path.stem for path in MODULES if path.name != "__init__.py"]
    classes = [
        node.name
        for path in MODULES
        for node in trees[path].body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    ]
    assert {name for name, count in Counter(files).items() if count > 1} == SAME_NAME
    assert {name for name, count in Counter(classes).items() if count > 1} == set()


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


def test_only_what_is_live_or_paced_sleeps() -> None:
    users = {named(path) for path in MODULES for name in imports(path, at_run_time=True) if name == "time"}
    sleeping = {"canmap/frames/live_frames.py", "canmap/timing/pace.py", "canmap/cli/progress.py"}
    reading_the_clock = {"canmap/cli/keys.py", "canmap/outputs/node/rosnode.py"}
    assert users <= sleeping | reading_the_clock


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
