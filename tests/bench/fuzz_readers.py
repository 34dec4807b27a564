"""Damage real captures many times: python -m tests.bench.fuzz_readers [--inputs N] [--atheris] [.blf].

Each reader gets its inputs in a process of its own. With --atheris the inputs are those of coverage-guided
fuzzing, where that library is installed, from the same real captures as seeds. A line per format says what
came of the inputs, how long the longest took, and the peak of memory; anything but frames, bad lines or one
clear error ends the process and shows the seed.
"""

from __future__ import annotations

import argparse
import collections
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.captures import WRITTEN, damaged, seeds
from tests.damage import outcome

INPUTS = 100_000
MOST_MB = 500


def fuzz(ending: str, inputs: int) -> int:
    """Give one reader its inputs."""
    found: collections.Counter[str] = collections.Counter()
    longest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        originals = seeds(Path(folder), ending)
    for seed in range(inputs):
        rng = random.Random(seed)
        data = damaged(rng, rng.choice(originals))
        began = time.monotonic()
        try:
            found[outcome(ending, data)] += 1
        except BaseException:
            print(f"{ending}: seed {seed} failed")
            raise
        longest = max(longest, time.monotonic() - began)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    told = ", ".join(f"{name} {count:,}" for name, count in sorted(found.items()))
    print(
        f"{ending:9} {inputs:9,} inputs: {told}; longest {longest * 1e3:.0f} ms, peak {peak:.0f} MB",
        flush=True,
    )
    return int(peak > MOST_MB)


def fuzz_guided(ending: str, inputs: int) -> int:
    """The same with atheris; it ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["canmap.frames"]):
        import canmap.frames.readers  # noqa: F401
    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(seeds(Path(folder), ending)):
            (Path(folder) / f"corpus{number}").write_bytes(data)
        atheris.Setup(
            [sys.argv[0], f"-runs={inputs}", "-max_len=65536", "-rss_limit_mb=1000", folder],
            lambda data: outcome(ending, data) and None,
        )
        atheris.Fuzz()
    return 0


def main() -> int:
    """Fuzz the formats that are named, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=INPUTS)
    parser.add_argument("--atheris", action="store_true")
    parser.add_argument("endings", nargs="*", default=WRITTEN)
    asked = parser.parse_args()
    if len(asked.endings) == 1:
        return (fuzz_guided if asked.atheris else fuzz)(asked.endings[0], asked.inputs)
    options = ["--inputs", str(asked.inputs), *(["--atheris"] if asked.atheris else [])]
    results = [
        subprocess.run(
            [sys.executable, "-m", "tests.bench.fuzz_readers", *options, ending], check=False
        ).returncode
        for ending in asked.endings
    ]
    return max(results)


if __name__ == "__main__":
    sys.exit(main())
