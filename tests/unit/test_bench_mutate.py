"""The bench that changes the code under its tests: what it may change, where it does, and how it judges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

pytest.importorskip("cosmic_ray")

from tests.bench.mutate import (
    FURTHER,
    NOT_JUDGES,
    ROOMS,
    ROOT,
    Bench,
    matters,
    modules_of,
    mutants_of,
    path_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.bench.mutate import Mutant

MOTION = next(path for path in modules_of("records") if path.name == "motion.py")
JUDGES = ("tests/unit/test_motion.py",)
UNRELATED = ("tests/unit/test_spec_units.py",)


@pytest.fixture(scope="module")
def mutants() -> list[Mutant]:
    return list(mutants_of("records", MOTION))


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_and_its_tests_are_there(room: str) -> None:
    assert len(modules_of(room)) > 1
    paths = [path_of(name) for name in ROOMS[room]]
    assert [path for path in (*paths, *FURTHER, *NOT_JUDGES) if not (ROOT / path).exists()] == []


def test_a_change_is_where_it_says_and_in_one_line(mutants: list[Mutant]) -> None:
    source = (ROOT / MOTION).read_text(encoding="utf-8")
    lines = source.splitlines()
    assert len(mutants) > 100
    for mutant in mutants[::20]:
        changed = mutant.change(source).splitlines()
        pairs = enumerate(zip(lines, changed, strict=True), 1)
        assert [number for number, (old, new) in pairs if old != new] == [mutant.line]


def test_a_change_of_types_alone_does_not_matter(mutants: list[Mutant]) -> None:
    lines = (ROOT / MOTION).read_text(encoding="utf-8").splitlines()
    of_types = [m for m in mutants if lines[m.line - 1].strip() == "if TYPE_CHECKING:"]
    of_code = [m for m in mutants if "np.tan(road_angle) /" in lines[m.line - 1]]
    assert of_types
    assert of_code
    assert not any(matters(mutant) for mutant in of_types)
    assert all(matters(mutant) for mutant in of_code)


def test_what_a_data_class_refuses_does_not_matter() -> None:
    module = next(path for path in modules_of("findings") if path.name == "episodes.py")
    lines = (ROOT / module).read_text(encoding="utf-8").splitlines()
    guards = [m for m in mutants_of("findings", module) if lines[m.line - 1].startswith("@dataclass(")]
    assert guards
    assert not any(map(matters, guards))


def test_changes_are_made_in_a_copy_and_taken_back(tmp_path: Path, mutants: list[Mutant]) -> None:
    bench = Bench(tmp_path)
    source = (ROOT / MOTION).read_text(encoding="utf-8")
    mutant = next(m for m in mutants if "Div_Mul" in m.operator and matters(m))
    assert bench.judge(mutant, JUDGES) == "killed"
    assert bench.judge(mutant, UNRELATED) == "survived"
    assert (bench.copy / MOTION).read_text(encoding="utf-8") == source
    assert (ROOT / MOTION).read_text(encoding="utf-8") == source
    assert bench.copy != ROOT
