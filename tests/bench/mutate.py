"""Change the code in one place at a time and see whether its tests notice.

python -m tests.bench.mutate [--sample N] [--seed N] [--room-tests-only] [--list] [ROOM...]

Rooms are the names in ROOMS; all where none is named. A sample of places is drawn, and one change made in
each, in a copy of the project: never here. The tests of the room judge it first, then those of FURTHER judge
what is left. A change that no test notices is a survivor: it is printed with its place and its difference.
Either it means the same, or a test is missing.

--list prints the changes of the sample and runs nothing. The changes are those of cosmic-ray's operators. It
keeps one core busy, at low priority.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import importlib.util
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cosmic_ray.ast import Visitor, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

ROOT = Path(__file__).parents[2]
# What a room is called in `canmap/`, and the modules that judge it first, of `tests/unit/` unless they say,
# the slow ones last: one failure is enough.
# "" stands for the modules at the top of the package.
ROOMS: dict[str, tuple[str, ...]] = {
    "checks": (
        "codes", "error_frames", "intake", "ranges", "rate", "silence", "triggers", "duplicates",
        "coverage", "inspection", "doubtful_signals", "dead_values", "captures_of_one_session", "new_user",
        "checksum_check", "reference/j1939", "property/checksum_laws", "property/cut_law",
    ),
    "payload": ("protection", "counters", "reference/checksums", "reference/e2e_profiles"),
    "findings": ("episodes", "silence", "ranges", "inspection"),
    "records": (
        "motion", "records", "record_columns", "ranges", "inspection", "codes", "dead_values",
        "property/values", "property/cut_law",
    ),
    "signals": (
        "extract", "limits", "duplicates", "ranges", "codes", "doubtful_signals", "inspection",
        "dead_values", "records", "property/extract", "reference/j1939", "property/values",
    ),
    "stream": ("sinks", "summary"),
    "summaries": ("summary", "inspection", "dead_values", "property/envelopes"),
    "timing": (
        "pace", "coverage", "silence", "triggers", "captures_of_one_session", "records", "newest",
        "conditions", "property/cut_law",
    ),
    "topics": (
        "message_types", "message_columns", "topic_table", "record_messages", "spec_topics",
        "reference/ros2_messages", "property/message_bytes", "property/topic_names",
    ),
    "engine": (
        "inspection", "window", "extract", "coverage", "captures_of_one_session", "stop_request", "intake",
        "records", "record_columns", "duplicates", "sinks", "reference/j1939", "property/cut_law",
    ),
    "api": ("inspection", "merge", "window", "coverage", "sinks"),
}  # fmt: skip
FURTHER = (
    "tests/unit",
    "tests/property/test_cut_law.py",
    "tests/property/test_carries.py",
    "tests/property/test_values.py",
    "tests/e2e",
)
# These read the sources, not what they do.
NOT_JUDGES = ("tests/unit/test_house.py", "tests/unit/test_bench_mutate.py")
# Operators that need arguments, take the decorator off that makes a class what it is, or compare identities.
LEFT_OUT = ("Variable", "RemoveDecorator", "_Is")
SAMPLE, SEED = 80, 1
NICE = 10
SLOWEST = 4.0  # times the tests without a change, and SPARE_S
SPARE_S = 10.0
MOST_BYTES = 4 << 30  # of memory of one run


@dataclass(frozen=True)
class Mutant:
    """One change: the room and the module, what is done for the how-many-eth time in it, and where."""

    room: str
    module: Path
    operator: str
    occurrence: int
    line: int
    column: int

    def change(self, source: str) -> str:
        """Return the source with the change made."""
        changed = mutate_code(source, get_operator(self.operator)(), self.occurrence)
        assert changed is not None
        return str(changed)


class _Places(Visitor):  # type: ignore[misc]
    """Collects where an operator can be applied, in the order in which cosmic-ray counts."""

    def __init__(self, operator: str) -> None:
        self._operator = get_operator(operator)()
        self.found: list[tuple[int, int]] = []

    def visit(self, node: Any) -> Any:
        self.found += [start for start, _ in self._operator.mutation_positions(node)]
        return node


def modules_of(room: str) -> list[Path]:
    """The modules of a room, from the top of the project."""
    return sorted(path.relative_to(ROOT) for path in (ROOT / "canmap" / room).rglob("*.py"))


def mutants_of(room: str, module: Path) -> Iterator[Mutant]:
    """Every change of a module."""
    tree = get_ast((ROOT / module).read_text(encoding="utf-8"))
    for operator in operator_names():
        if not any(word in operator for word in LEFT_OUT):
            places = _Places(operator)
            places.walk(tree)
            for occurrence, (line, column) in enumerate(places.found):
                yield Mutant(room, module, operator, occurrence, line, column)


def sample(rooms: Iterable[str], size: int, seed: int) -> list[Mutant]:
    """Draw places, and one change for each: otherwise arithmetic, which knows many, drowns the rest."""
    chance = random.Random(seed)
    places: defaultdict[tuple[Path, int, int], list[Mutant]] = defaultdict(list)
    for room in rooms:
        for module in modules_of(room):
            for mutant in mutants_of(room, module):
                places[module, mutant.line, mutant.column].append(mutant)
    drawn = [chance.choice(places[place]) for place in chance.sample(sorted(places), len(places))]
    matter = (mutant for mutant in drawn if matters(mutant))
    return [mutant for mutant, _ in zip(matter, range(size), strict=False)]


class _Runs(ast.NodeTransformer):
    """What of a module runs: without annotations, imports for types alone, and guards of data classes."""

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        for decorator in node.decorator_list:
            if isinstance(decorator, ast.Call):
                decorator.keywords = [one for one in decorator.keywords if one.arg not in ("frozen", "slots")]
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_If(self, node: ast.If) -> ast.AST | None:
        return None if "TYPE_CHECKING" in ast.unparse(node.test) else self.generic_visit(node)


def matters(mutant: Mutant) -> bool:
    """Tell whether a change touches what runs, and can be read: a bare `*` of parameters can become `**`."""
    source = (ROOT / mutant.module).read_text(encoding="utf-8")
    try:
        before, after = (ast.dump(_Runs().visit(ast.parse(text))) for text in (source, mutant.change(source)))
    except SyntaxError:
        return False
    return before != after


def difference(mutant: Mutant) -> str:
    """The lines that a change takes away and puts there."""
    source = (ROOT / mutant.module).read_text(encoding="utf-8")
    lines = difflib.unified_diff(source.splitlines(), mutant.change(source).splitlines(), n=0, lineterm="")
    return "\n".join(f"    {line}" for line in list(lines)[3:])


def tests_of(mutant: Mutant) -> list[str]:
    """The test modules of its room, one with the name of the module first."""
    names = sorted(ROOMS[mutant.room], key=lambda name: name != mutant.module.stem)
    return [path_of(name) for name in names]


def path_of(name: str) -> str:
    """Where the test module with this name in ROOMS lies."""
    folder, _, stem = name.rpartition("/")
    return f"tests/{folder or 'unit'}/test_{stem}.py"


class Bench:
    """A copy of the project in which changes are made and judged."""

    def __init__(self, folder: Path) -> None:
        self.copy = folder / "copy"
        shutil.copytree(ROOT, self.copy, ignore=shutil.ignore_patterns(".*", "__pycache__"))
        # The tests must run on the copy, wherever the project is installed from.
        self._environment = {**os.environ, "PYTHONPATH": str(self.copy)}
        where = subprocess.run(
            [sys.executable, "-c", "import canmap; print(canmap.__file__)"],
            cwd=self.copy, env=self._environment, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        if not where.startswith(str(self.copy)):
            sys.exit(f"The tests would run on {where.strip()}, not on the copy in {self.copy}.")
        self._usual_s: dict[tuple[str, ...], float] = {}

    def run(self, tests: Iterable[str], timeout_s: float | None) -> int | None:
        """Run tests until one fails; the exit status of pytest, None after the timeout."""
        left_out = [f"--ignore={path}" for path in NOT_JUDGES]
        options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-profile=verdict"]
        command = [sys.executable, "-m", "pytest", *options, *left_out, *tests]
        process = subprocess.Popen(
            command, cwd=self.copy, env=self._environment, start_new_session=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            return process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return None
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()

    def usual_s(self, tests: tuple[str, ...]) -> float:
        """How long tests take without a change, s. They have to pass; what they compile is kept for later."""
        key = tuple(sorted(tests))
        if key not in self._usual_s:
            self._environment.pop("PYTHONDONTWRITEBYTECODE", None)
            self.run(tests, None)
            begin_s = time.monotonic()
            if self.run(tests, None) != 0:
                sys.exit(f"Tests fail without any change: {' '.join(tests)}")
            self._usual_s[key] = time.monotonic() - begin_s
            self._environment["PYTHONDONTWRITEBYTECODE"] = "1"
        return self._usual_s[key]

    def judge(self, mutant: Mutant, tests: tuple[str, ...]) -> str:
        """Return "killed", "survived" or "timeout"."""
        timeout_s = SLOWEST * self.usual_s(tests) + SPARE_S
        path = self.copy / mutant.module
        source = path.read_text(encoding="utf-8")
        # A change within one second that keeps the size would not be noticed beside an old compiled module.
        Path(importlib.util.cache_from_source(str(path))).unlink(missing_ok=True)
        path.write_text(mutant.change(source), encoding="utf-8")
        try:
            status = self.run(tests, timeout_s)
        finally:
            path.write_text(source, encoding="utf-8")
        return "timeout" if status is None else "survived" if status == 0 else "killed"


def told(mutant: Mutant) -> str:
    return f"{mutant.module}:{mutant.line} {mutant.operator.removeprefix('core/')}"


def judge_all(bench: Bench, mutants: list[Mutant], further: tuple[str, ...]) -> list[Mutant]:
    """Judge each change, print how it went, and return the survivors."""
    counts: Counter[str] = Counter()
    left = []
    for number, mutant in enumerate(mutants, 1):
        verdict = bench.judge(mutant, tuple(tests_of(mutant)))
        print(f"{number:4} {verdict:8} {told(mutant)}", flush=True)
        if verdict == "survived":
            left.append(mutant)
        else:
            counts[verdict + " by the tests of the room"] += 1
    survivors = []
    for mutant in left if further else []:
        verdict = bench.judge(mutant, further)
        print(f"     {verdict:8} {told(mutant)}, by all tests", flush=True)
        if verdict == "survived":
            survivors.append(mutant)
        else:
            counts[verdict + " by the others"] += 1
    survivors = survivors if further else left
    counts["survived"] = len(survivors)
    for name, count in sorted(counts.items()):
        print(f"{count:5} of {len(mutants)} {name}")
    for mutant in survivors:
        print(f"\n{told(mutant)}\n{difference(mutant)}")
    return survivors


def main() -> int:
    """Draw a sample, judge it; the exit status is 1 where something survived."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("rooms", nargs="*", metavar="ROOM", help=f"of {', '.join(map(repr, ROOMS))}")
    parser.add_argument("--sample", type=int, default=SAMPLE, help="how many changes")
    parser.add_argument("--seed", type=int, default=SEED, help="of the sample")
    parser.add_argument("--room-tests-only", action="store_true", help="leave the other tests out")
    parser.add_argument("--list", action="store_true", help="print the sample and run nothing")
    arguments = parser.parse_args()
    unknown = [room for room in arguments.rooms if room not in ROOMS]
    if unknown:
        parser.error(f"{unknown[0]!r} is no room; rooms are {', '.join(map(repr, ROOMS))}")
    mutants = sample(arguments.rooms or ROOMS, arguments.sample, arguments.seed)
    if arguments.list:
        for mutant in mutants:
            print(f"{told(mutant)}\n{difference(mutant)}")
        return 0
    # In the background Ctrl-C is ignored; the tests would inherit that, and some are about it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))  # of the tests, too: they inherit it
    os.nice(max(0, NICE - os.nice(0)))
    with tempfile.TemporaryDirectory() as folder:
        further = () if arguments.room_tests_only else FURTHER
        return 1 if judge_all(Bench(Path(folder)), mutants, further) else 0


if __name__ == "__main__":
    sys.exit(main())
