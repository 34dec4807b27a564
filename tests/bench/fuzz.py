"""Damage what canmap reads, many times: python -m tests.bench.fuzz [--inputs N] [--workers N] [TARGET...].

Targets are the endings of the capture formats, `description` and `spec`; all where none is named. Each gets
processes of its own. A line per target says what came of the inputs, how long the longest took, and the peak
of memory. Anything but a result, findings or one clear error ends the target and names its seed:
`--seed N` gives that input alone and keeps it in a file. The seeds of `description` depend on whether
`tests/fetch_sources.py` has fetched its sources.

With --atheris the inputs are those of coverage-guided fuzzing, where that library is installed: the counters
`cov` and `ft` that it prints must grow. One target is fuzzed at a time, and atheris ends the process itself.
Its memory grows by up to half a MB an input of text, so that those are given in several runs.
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import random
import resource
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.sharedctypes import Synchronized

# Nothing of canmap is imported up here: atheris has to be there first.
INPUTS = 100_000
MOST_MB = 500
HANGS_S = 60.0
MEMORY = "/dev/shm"  # a folder that is no disk, where there is one
LARGEST_GUIDED = 65_536  # bytes
MOST_GUIDED_MB = 9_000  # atheris keeps every array that instrumented code has compared
INSTRUMENTED = ["canmap", "cantools.database.can.formats.dbc"]


def fuzz(name: str, numbers: range, current: Synchronized[int], results: Any) -> None:
    """Give a target the inputs of these numbers, in a process of its own."""
    from tests.targets import TARGETS

    warnings.simplefilter("error")
    tempfile.tempdir = MEMORY if Path(MEMORY).is_dir() else None
    target = TARGETS[name]
    originals = target.seeds()
    found: collections.Counter[str] = collections.Counter()
    longest, peak = 0.0, 0.0
    runner = multiprocessing.parent_process()
    for number in numbers:
        if runner is None or not runner.is_alive():
            return
        current.value = number
        data = target.input(random.Random(number), number, originals)
        began = time.process_time()
        try:
            found[target.outcome(data)] += 1
        except BaseException:
            results.put((number, traceback.format_exc()))
            return
        longest = max(longest, time.process_time() - began)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        if peak > MOST_MB:
            results.put((number, f"memory rose to {peak:.0f} MB\n"))
            return
    current.value = -1
    results.put((found, longest, peak))


def fuzz_all(name: str, inputs: int, workers: int) -> int:
    """Fuzz a target with several processes, print its line, and return whether an input failed."""
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    currents = [context.Value("q", -1) for _ in range(workers)]
    processes = [
        context.Process(target=fuzz, args=(name, range(first, inputs, workers), current, results))
        for first, current in enumerate(currents)
    ]
    for process in processes:
        process.start()
    told = _told(processes, currents, results)
    for process in processes:
        process.terminate()
        process.join()
    failed = [one for one in told if isinstance(one[0], int)]
    for number, text in failed:
        print(f"{name}: {text}{name}: seed {number} failed; again with --seed {number}", flush=True)
    if failed:
        return 1
    found = sum((one[0] for one in told), collections.Counter())
    outcomes = ", ".join(f"{outcome} {count:,}" for outcome, count in sorted(found.items()))
    longest, peak = max(one[1] for one in told), max(one[2] for one in told)
    print(
        f"{name:11} {inputs:9,} inputs: {outcomes}; longest {longest * 1e3:.0f} ms, peak {peak:.0f} MB",
        flush=True,
    )
    return 0


def _told(processes: list[Any], currents: list[Any], results: Any) -> list[tuple[Any, ...]]:
    """Return what the processes told, or the first failure: told, died over an input, or hangs at one."""
    told: list[tuple[Any, ...]] = []
    seen = [(-1, time.monotonic())] * len(processes)
    while len(told) < len(processes):
        time.sleep(0.2)
        while not results.empty():
            told.append(results.get())
            if isinstance(told[-1][0], int):
                return told
        for index, (process, current) in enumerate(zip(processes, currents, strict=True)):
            number = current.value
            if number >= 0 and process.exitcode is not None and results.empty():
                return [(number, f"the process ended with {process.exitcode}\n")]
            if number < 0 or number != seen[index][0]:
                seen[index] = (number, time.monotonic())
            elif time.monotonic() - seen[index][1] > HANGS_S:
                return [(number, f"it takes more than {HANGS_S:.0f} s\n")]
    return told


def fuzz_one(name: str, number: int) -> int:
    """Give a target one input, keep it in a file, and print what came of it."""
    from tests.targets import TARGETS

    warnings.simplefilter("error")
    target = TARGETS[name]
    data = target.input(random.Random(number), number, target.seeds())
    path = Path(tempfile.gettempdir()) / f"fuzz-{name.lstrip('.')}-{number}"
    path.write_bytes(data)
    print(f"{path}: {len(data):,} bytes", flush=True)
    print(target.outcome(data))
    return 0


def fuzz_guided(name: str, inputs: int) -> int:
    """The same with atheris; it ends the process itself."""
    try:
        import atheris
    except ImportError:
        print("atheris is not installed, so the inputs cannot be guided: pip install atheris")
        return 1
    with atheris.instrument_imports(include=INSTRUMENTED):
        import pkgutil
        from importlib import import_module

        import canmap.frames.binary
        import canmap.frames.text
        import canmap.mapping

        for room in (
            canmap.frames.binary,
            canmap.frames.text,
            canmap.mapping,
        ):  # readers import theirs only when they are used
            for module in pkgutil.iter_modules(room.__path__, f"{room.__name__}."):
                import_module(module.name)
        from tests.targets import TARGETS
    target = TARGETS[name]
    originals = target.seeds()

    def mutate(data: bytes, largest: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.5:
            return bytes(atheris.Mutate(data, largest))
        return target.damage(rng, data, originals)[:largest]

    def give(data: bytes) -> None:
        target.outcome(data)

    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(originals):
            (Path(folder) / f"seed{number}").write_bytes(data)
        limits = [f"-max_len={LARGEST_GUIDED}", f"-timeout={HANGS_S:.0f}", f"-rss_limit_mb={MOST_GUIDED_MB}"]
        atheris.Setup([sys.argv[0], f"-runs={inputs}", *limits, folder], give, custom_mutator=mutate)
        atheris.Fuzz()
    return 0


def main() -> int:
    """Fuzz the targets that are named, or all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--inputs", type=int, default=INPUTS)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--atheris", action="store_true")
    parser.add_argument("targets", nargs="*")
    asked = parser.parse_args()
    if asked.atheris:
        if len(asked.targets) != 1:
            parser.error("name one target")
        return fuzz_guided(asked.targets[0], asked.inputs)
    from tests.targets import TARGETS, missing

    failed = 0
    for name in asked.targets or TARGETS:
        if name not in TARGETS:
            parser.error(f"{name} is no target; it is one of {', '.join(TARGETS)}")
        if missing(name):
            print(f"{name:11} is left out: {missing(name)}", flush=True)
        elif asked.seed is not None:
            failed |= fuzz_one(name, asked.seed)
        else:
            failed |= fuzz_all(name, asked.inputs, asked.workers)
    return failed


if __name__ == "__main__":
    sys.exit(main())
