"""Benchmark for developers: what parse, prepare and fold cost a frame, and what starting costs.

python -m tests.bench.stages --frames 2000000

The stages run one after the other on one thread, and its time on the processor is counted, so that other
work on the machine disturbs little; reading the file is done by another thread and not counted. Starting
is measured in fresh processes. Of several runs, the fastest is shown.

With --capture, --spec and --without KIND only the stages are measured, with and without the check that
reports findings of that kind.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import canmap.engine.engine
from canmap.checks.all import CHECKS
from canmap.engine.engine import Engine
from canmap.frames.readers import open_captures
from canmap.mapping.loader import load_spec
from tests.bench.compare import environment
from tests.bench.traffic import write_log
from tests.bench.vehicle import describe

STAGES = ("parse", "prepare", "fold")
STEPS = {
    "interpreter": "",
    "command line": "import canmap.cli.main, canmap.cli.app, canmap.cli.inspect",
    "reader": "import canmap.frames.readers, canmap.frames.window, canmap.engine.run",
    "arguments": "parse_arguments()",
    "engine": "import canmap.api.inspect, canmap.engine.engine",
    "spec grammar": "import canmap.mapping.loader",
    "descriptions": "import canmap.mapping.description.database",
    "load the spec": "spec = canmap.mapping.loader.load_spec(path)",
    "make the engine": "canmap.engine.engine.Engine(spec)",
    "screen": "import canmap.cli.progress, canmap.cli.render, rich.table, rich.progress",
}
SCRIPT = """
import json, sys, time
path, steps = sys.argv[1], json.loads(sys.argv[2])
def parse_arguments():
    try:  # ends where the capture is opened
        canmap.cli.app.app(["inspect", "no such capture", "--spec", path], standalone_mode=False)
    except canmap.CaptureError:
        pass
spent = {}
for name, code in steps.items():
    began = time.process_time_ns()
    exec(code)
    spent[name] = time.process_time_ns() - began + (began if not spent else 0)
print(json.dumps(spent))
"""


def stage_times(capture: Path, spec_path: Path) -> dict[str, float]:
    """Nanoseconds a frame of each stage, and the chunks and their fold in microseconds."""
    engine = Engine(load_spec(str(spec_path)))
    source = open_captures([str(capture)])
    spent = dict.fromkeys(STAGES, 0)
    chunks = 0
    before = engine.start
    for piece in source.pieces():
        times = [time.thread_time_ns()]
        chunk = piece()
        times.append(time.thread_time_ns())
        decoded = engine.decode(chunk)
        prepared = engine.prepare(decoded, before)
        before = engine.after(decoded, before)
        times.append(time.thread_time_ns())
        engine.fold(prepared)
        times.append(time.thread_time_ns())
        chunks += 1
        for stage, began, ended in zip(STAGES, times[:-1], times[1:], strict=True):
            spent[stage] += ended - began
    engine.finish()
    source.close()
    per_frame = {stage: total / engine.frames for stage, total in spent.items()}
    return {**per_frame, "chunks": chunks, "fold_chunk_us": spent["fold"] / chunks / 1000}


def start_times(spec_path: Path, folder: Path) -> dict[str, float]:
    """Milliseconds on the processor of each step of starting, in a fresh process."""
    command = [sys.executable, "-c", SCRIPT, str(spec_path), json.dumps(STEPS)]
    done = subprocess.run(command, env=environment(folder), check=True, capture_output=True)
    spent = json.loads(done.stdout)
    return {name: nanoseconds / 1e6 for name, nanoseconds in spent.items()}


def cost_of_a_check(capture: Path, spec_path: Path, kind: str, runs: int) -> dict[str, dict[str, float]]:
    """Nanoseconds a frame of each stage, with and without one check, in turn."""
    cases = {"with": CHECKS, "without": tuple(check for check in CHECKS if kind not in check.kinds)}
    best: dict[str, dict[str, float]] = {}
    for _ in range(runs):
        for case, checks in cases.items():
            canmap.engine.engine.CHECKS = checks
            times = stage_times(capture, spec_path)
            known = best.setdefault(case, times)
            best[case] = {stage: min(known[stage], times[stage]) for stage in times}
    canmap.engine.engine.CHECKS = CHECKS
    return best


def main() -> None:
    """Measure both cases and print two tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, default=2_000_000)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where the capture is for the time")
    parser.add_argument("--capture", type=Path)
    parser.add_argument("--spec", type=Path)
    parser.add_argument("--without", metavar="KIND", help="of the findings of the check that is left out")
    options = parser.parse_args()
    if options.without:
        print_stages(cost_of_a_check(options.capture, options.spec, options.without, options.runs))
        return
    stages, starts = {}, {}
    with tempfile.TemporaryDirectory(prefix="canmap-bench-", dir=options.folder) as name:
        folder = Path(name)
        capture = folder / "traffic.log"
        write_log(capture, options.frames, faults=True)
        for case in ("sparse", "dense"):
            spec, _ = describe(case, folder)
            runs = [stage_times(capture, spec) for _ in range(options.runs)]
            stages[case] = min(runs, key=lambda run: sum(run[stage] for stage in STAGES))
            starts[case] = min((start_times(spec, folder) for _ in range(options.runs + 2)), key=_total)
    print_stages(stages)
    print("\n| starting, ms | " + " | ".join(starts) + " |\n|---|" + "---|" * len(starts))
    for step in STEPS:
        print(f"| {step} | " + " | ".join(f"{run[step]:.1f}" for run in starts.values()) + " |")
    print("| sum | " + " | ".join(f"{_total(run):.1f}" for run in starts.values()) + " |")


def print_stages(stages: dict[str, dict[str, float]]) -> None:
    """Print what the stages cost in each case."""
    print("| case | parse ns | prepare ns | fold ns | sum ns a frame | chunks | fold us a chunk |")
    print("|---|---|---|---|---|---|---|")
    for case, run in stages.items():
        per_frame = [run[stage] for stage in STAGES]
        cells = [f"{value:.1f}" for value in (*per_frame, sum(per_frame))]
        cells += [str(run["chunks"]), f"{run['fold_chunk_us']:.0f}"]
        print(f"| {case} | {' | '.join(cells)} |")


def _total(run: dict[str, float]) -> float:
    return sum(run.values())


if __name__ == "__main__":
    main()
