"""Benchmark: `canmap inspect` against the plain loop, as whole processes, side by side.

python -m tests.bench.compare                                  # 2 M and 20 M frames, about ten minutes
python -m tests.bench.compare --frames 2000000 --runs 5        # a minute or two a case

Both read the same capture and must count the same frames, silences and values out of range; they run in
turn, so that what else the machine does slows both; where it does much, the ratio of the CPU times tells
more. The capture is in the page cache, and the modules are compiled, as installed ones are.

Above 5 M frames the loop runs once, on a tenth of the traffic, and its time is extended along the line
through that and its time for 20,000 frames; ``--whole-loop`` runs it in full.

This process stays small on purpose: the peak memory that the system reports for a child is at least what
its parent held when it was started.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from statistics import median
from typing import Any

ROOT = Path(__file__).parents[2]
SMALL = 20_000  # frames of the capture for the start-up of the loop, and for the check that it is clean
WHOLE_LOOP = 5_000_000  # frames up to which the loop always runs in full
TENTH = 10
CHECKED = "checked"  # every message has a counter and a checksum, which canmap judges and the loop does not
CASES = ("sparse", "dense", CHECKED)


@dataclass(frozen=True, slots=True)
class Run:
    """One run of one process: wall time, time of all its threads on the processors, peak memory."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(slots=True)
class Row:
    """The runs of one case; `loop` may be extended from fewer frames."""

    frames: int
    case: str
    canmap: list[Run] = field(default_factory=list)
    loop: list[Run] = field(default_factory=list)
    extended: bool = False

    @property
    def pairs(self) -> list[tuple[Run, Run]]:
        """The runs of canmap, each with the loop's that was measured beside it."""
        loops = self.loop * len(self.canmap) if self.extended else self.loop
        return list(zip(self.canmap, loops, strict=True))


def environment(folder: Path) -> dict[str, str]:
    """The environment of a child: no settings of the interpreter, and compiled modules kept in `folder`."""
    kept = {key: value for key, value in os.environ.items() if key[:6] != "PYTHON" or key == "PYTHONPATH"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}


def measure(command: list[str], output: Path, settings: dict[str, str], fine: int = 0) -> Run:
    """Run a command to its end with its standard output in a file, in the environment `settings`.

    Raises:
        SystemExit: Its exit status is not `fine`.
    """
    with output.open("wb") as out, tempfile.TemporaryFile() as err:
        began = time.perf_counter()
        process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=err, env=settings)
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode != fine:
            err.seek(0)
            text = err.read().decode("utf-8", "replace")
            raise SystemExit(f"{' '.join(command)} ended with status {process.returncode}:\n{text}")
    unit = 1 if sys.platform == "darwin" else 1024  # of ru_maxrss, in bytes
    return Run(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit / 1e6)


class Traffic:
    """A capture and what describes it, in a folder of its own."""

    def __init__(self, frames: int, folder: Path, *, faults: bool = True, protected: bool = False) -> None:
        self.frames = frames
        self._settings = environment(folder)
        self._folder = Path(tempfile.mkdtemp(dir=folder))
        command = [sys.executable, "-m", "tests.bench.traffic", "--frames", str(frames)]
        command += ["--folder", str(self._folder), *(["--faults"] if faults else [])]
        command += ["--protected"] if protected else []
        made = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True).stdout)
        self.capture, self._cases = made["capture"], made["cases"]
        self._truth = {"frames": frames, **made["truth"]}
        self._pass_or_fail = int(faults)

    def run_canmap(self, case: str) -> Run:
        """Inspect it, and compare what was found with what is in it."""
        result = self._folder / "canmap.json"
        command = [sys.executable, "-m", "canmap", "inspect", self.capture]
        command += ["--spec", self._cases[case]["spec"], "--json", str(result)]
        run = measure(command, Path(os.devnull), self._settings, self._pass_or_fail)
        self._compare(f"canmap, {case}", canmap_counts(json.loads(result.read_bytes())))
        return run

    def run_loop(self, case: str) -> Run:
        """Run the plain loop over it, and compare what was found with what is in it."""
        output = self._folder / "loop.json"
        command = [sys.executable, "-m", "tests.bench.plain_loop", self.capture]
        run = measure(command + self.descriptions(case), output, self._settings)
        counts = json.loads(output.read_bytes())
        self._compare(f"plain loop, {case}", {name: counts[name] for name in self._truth})
        return run

    def spec(self, case: str) -> str:
        """Return the path of the spec of a case."""
        spec: str = self._cases[case]["spec"]
        return spec

    def descriptions(self, case: str) -> list[str]:
        """Return the paths of the descriptions of a case."""
        return list(self._cases[case]["descriptions"])

    def delete(self) -> None:
        """Delete the capture."""
        Path(self.capture).unlink()

    def _compare(self, who: str, counts: dict[str, int]) -> None:
        if counts != self._truth:
            raise SystemExit(f"{who} counts {counts}, but the traffic holds {self._truth}.")


def canmap_counts(result: dict[str, Any]) -> dict[str, int]:
    """Frames and faults in the JSON of an inspection.

    Raises:
        SystemExit: It holds errors or warnings of kinds that the traffic has not.
    """
    serious = [finding for finding in result["findings"] if finding["severity"] != "note"]
    for finding in serious:
        if finding["kind"] not in {"out_of_range", "stale"}:
            raise SystemExit(f"The traffic has no such fault: {finding['text']}")
    counts = {"frames": result["capture"]["frames"]}
    for name, kind in (("out_of_range", "out_of_range"), ("silences", "stale")):
        counts[name] = sum(finding["count"] for finding in serious if finding["kind"] == kind)
    return counts


def extended(small: Run, large: Run, frames: tuple[int, int, int]) -> Run:
    """The run for the last of `frames` on the line through those for the first two."""
    share = (frames[2] - frames[0]) / (frames[1] - frames[0])
    return Run(
        small.wall_s + (large.wall_s - small.wall_s) * share,
        small.cpu_s + (large.cpu_s - small.cpu_s) * share,
        large.peak_mb,
    )


def compare(options: argparse.Namespace, folder: Path) -> list[Row]:
    """Measure everything; each row is announced on standard error when it is there."""
    rows = []
    for protected in (False, True):
        cases = [case for case in options.cases if (case == CHECKED) == protected]
        if cases:
            rows += _compare(options, folder, cases, protected=protected)
    return rows


def _compare(options: argparse.Namespace, folder: Path, cases: list[str], *, protected: bool) -> list[Row]:
    """Measure the cases of one kind of traffic."""
    clean = Traffic(SMALL, folder, faults=False, protected=protected)
    starts: dict[str, Run] = {}
    for case in cases:
        for _ in range(2):  # the first run of all compiles the modules
            clean.run_canmap(case)
            starts[case] = clean.run_loop(case)
    rows = []
    for frames in options.frames:
        in_full = options.whole_loop or frames <= WHOLE_LOOP
        traffic = Traffic(frames, folder, protected=protected)
        part = traffic if in_full else Traffic(frames // TENTH, folder, protected=protected)
        for case in cases:
            row = Row(frames, case, extended=not in_full)
            for number in range(options.runs):
                row.canmap.append(traffic.run_canmap(case))
                if in_full or number == 0:
                    row.loop.append(part.run_loop(case))
            if not in_full:
                row.loop = [extended(starts[case], row.loop[0], (SMALL, part.frames, frames))]
            rows.append(row)
            print(line(row), file=sys.stderr, flush=True)
        for made in {traffic, part}:
            made.delete()
    return rows


def spread(values: list[float], digits: int) -> str:
    """Median, and the smallest and largest of several values."""
    middle = f"{median(values):.{digits}f}"
    if len(values) == 1:
        return middle
    return f"{middle} ({min(values):.{digits}f}..{max(values):.{digits}f})"


HEAD = (
    *("frames", "case", "canmap s", "its CPU s", "M frames/s", "loop s", "its CPU s"),
    *("ratio", "CPU ratio", "canmap peak MB", "loop peak MB"),
)


def line(row: Row) -> str:
    """One line of the table."""
    cells = (
        f"{row.frames:,}",
        row.case,
        spread([run.wall_s for run in row.canmap], 2),
        spread([run.cpu_s for run in row.canmap], 2),
        f"{row.frames / 1e6 / median(run.wall_s for run in row.canmap):.2f}",
        spread([run.wall_s for run in row.loop], 1) + (" *" if row.extended else ""),
        spread([run.cpu_s for run in row.loop], 1) + (" *" if row.extended else ""),
        spread([loop.wall_s / canmap.wall_s for canmap, loop in row.pairs], 1),
        spread([loop.cpu_s / canmap.cpu_s for canmap, loop in row.pairs], 1),
        spread([run.peak_mb for run in row.canmap], 0),
        spread([run.peak_mb for run in row.loop], 0),
    )
    return f"| {' | '.join(cells)} |"


def machine() -> str:
    """The machine and the versions, in one line."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next((text.split(":")[1].strip() for text in lines if text.startswith("model name")), model)
    versions = ", ".join(f"{name} {_version(name)}" for name in ("numpy", "cantools", "python-can"))
    return (
        f"{os.cpu_count()} cores, {model}, {platform.system()}; Python {platform.python_version()}, "
        f"{versions}; load at the start {os.getloadavg()[0]:.1f}"
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def report(rows: list[Row]) -> str:
    """The table and the notes under it."""
    lines = [f"| {' | '.join(HEAD)} |", "|" + "---|" * len(HEAD), *map(line, rows), ""]
    lines.append(
        "Median (smallest..largest) of the runs; ratios: loop to canmap, run by run; CPU: of all threads."
    )
    if any(row.extended for row in rows):
        lines.append(f"* extended from one run on a tenth of the traffic and one on {SMALL:,} frames.")
    for case in dict.fromkeys(row.case for row in rows):
        peaks = {row.frames: median(run.peak_mb for run in row.canmap) for row in rows if row.case == case}
        few, many = min(peaks), max(peaks)
        if few < many:
            ratio = peaks[many] / peaks[few]
            lines.append(f"canmap's peak memory, {case}, {many:,} to {few:,} frames: {ratio:.2f}.")
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, nargs="+", default=[2_000_000, 20_000_000])
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--runs", type=int, default=3, help="of each side; 3 by default")
    parser.add_argument("--whole-loop", action="store_true", help="never extend the time of the loop")
    parser.add_argument("--folder", type=Path, help="where the captures are for the time; up to 1 GB")
    options = parser.parse_args()
    where = machine()
    with tempfile.TemporaryDirectory(prefix="canmap-bench-", dir=options.folder) as folder:
        rows = compare(options, Path(folder).resolve())
    print(f"{where}\n\n{report(rows)}")


if __name__ == "__main__":
    main()
