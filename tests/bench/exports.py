"""Benchmark: `canmap export` beside `canmap inspect` on the same capture, as whole processes, in turn.

python -m tests.bench.exports                             # 2 M and 20 M frames, some minutes
python -m tests.bench.exports --frames 2000000 --runs 5

Of the traffic of `traffic.py` one frame in nine stamps a record. Each case is inspected, and exported to a
bag, to a folder of Parquet and of CSV, and to lines. The last rows are a million frames that all stamp one,
with one message missing. What is in the records is compared by the tests, not here. A bag is also made by the
loop of `bag_loop.py`; of long captures, by that of the short one only.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.bench.compare import WHOLE_LOOP, Run, Traffic, environment, machine, measure, spread

FORMS = {
    "inspect": None,
    "MCAP": "records.mcap",
    "Parquet": "tables.parquet/",
    "CSV": "tables.csv/",
    "lines": "records.jsonl",
}
STAMPING = ("SteerFeedback", "DriveFeedback", "WheelSpeeds")  # of sparse.yaml
RECORDS = 1_000_000
SHARE = 10  # more frames than records, at most
HEAD = ("frames", "records", "form", "s", "CPU s", "to inspect", "CPU to inspect", "peak MB", "written MB")


class Exports:
    """A capture, its spec, and a folder for what is written; `status` is that of inspect."""

    def __init__(self, capture: str, spec: str, folder: Path, status: int = 0) -> None:
        self._status = status
        self._given = [capture, "--spec", spec]
        self._folder = folder
        self._settings = environment(folder)

    def run(self, into: str | None) -> tuple[Run, int, int]:
        """Inspect, or export to `into`; return also the records and the bytes that were written."""
        said = self._folder / "said.txt"
        command = [sys.executable, "-m", "canmap", "inspect" if into is None else "export", *self._given]
        if into is None:
            return measure([*command, "--json", "-"], said, self._settings, self._status), 0, 0
        out = self._folder / into
        run = measure(
            [*command, "--into", f"{out}{'/' * into.endswith('/')}", "--overwrite"], said, self._settings
        )
        records = int(said.read_text(encoding="utf-8").split(maxsplit=1)[0].replace(",", ""))
        files = out.iterdir() if out.is_dir() else [out]
        return run, records, sum(file.stat().st_size for file in files)


def rows(exports: Exports, frames: int, runs: int) -> list[str]:
    """The lines of the table for one capture."""
    measured: dict[str, list[tuple[Run, int, int]]] = {form: [] for form in FORMS}
    for _ in range(runs):
        for form, into in FORMS.items():
            measured[form].append(exports.run(into))
    base = [run for run, _, _ in measured["inspect"]]
    lines = []
    for form, ones in measured.items():
        own = [run for run, _, _ in ones]
        cells = (
            f"{frames:,}",
            f"{ones[0][1]:,}",
            form,
            spread([run.wall_s for run in own], 2),
            spread([run.cpu_s for run in own], 2),
            spread([run.wall_s / other.wall_s for run, other in zip(own, base, strict=True)], 2),
            spread([run.cpu_s / other.cpu_s for run, other in zip(own, base, strict=True)], 2),
            spread([run.peak_mb for run in own], 0),
            f"{ones[0][2] / 1e6:.1f}",
        )
        lines.append(f"| {' | '.join(cells)} |")
        print(lines[-1], file=sys.stderr, flush=True)
    return lines


def loop_row(traffic: Traffic, folder: Path, runs: int) -> str:
    """The line of the table for the loop that makes a bag, each run beside one of canmap."""
    exports = Exports(traffic.capture, traffic.spec("sparse"), folder)
    command = [sys.executable, "-m", "tests.bench.bag_loop", traffic.capture, str(folder / "loop.mcap")]
    command += traffic.descriptions("sparse")
    pairs = []
    for _ in range(runs):
        own = exports.run(FORMS["MCAP"])[0]
        pairs.append((own, measure(command, folder / "said.txt", environment(folder))))
    cells = (
        f"{traffic.frames:,}",
        (folder / "said.txt").read_text(encoding="utf-8").strip(),
        "the loop, MCAP; its times to canmap's",
        spread([loop.wall_s for _, loop in pairs], 2),
        spread([loop.cpu_s for _, loop in pairs], 2),
        spread([loop.wall_s / own.wall_s for own, loop in pairs], 1),
        spread([loop.cpu_s / own.cpu_s for own, loop in pairs], 1),
        spread([loop.peak_mb for _, loop in pairs], 0),
        f"{(folder / 'loop.mcap').stat().st_size / 1e6:.1f}",
    )
    return f"| {' | '.join(cells)} |"


def keep_stamping(capture: str, kept: Path, count: int) -> None:
    """Write the first frames of a capture that stamp a record to another."""
    from tests.bench.vehicle import MESSAGES

    marks = tuple(f"{message.can_id:03X}#".encode() for message in MESSAGES if message.name in STAMPING)
    with Path(capture).open("rb") as source, kept.open("wb") as target:
        for line in source:
            if line.rsplit(b" ", 1)[1].startswith(marks):
                target.write(line)
                count -= 1
                if not count:
                    return
    raise SystemExit("The traffic is too short.")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, nargs="+", default=[2_000_000, 20_000_000])
    parser.add_argument("--records", type=int, default=RECORDS, help="of the last row")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where everything is for the time; up to 3 GB")
    options = parser.parse_args()
    where, lines = machine(), []
    with tempfile.TemporaryDirectory(prefix="canmap-bench-", dir=options.folder) as name:
        folder = Path(name).resolve()
        for frames in options.frames:
            traffic = Traffic(frames, folder, faults=False)
            lines += rows(Exports(traffic.capture, traffic.spec("sparse"), folder), frames, options.runs)
            if frames <= WHOLE_LOOP:
                lines.append(loop_row(traffic, folder, options.runs))
            traffic.delete()
        traffic, kept = Traffic(SHARE * options.records, folder, faults=False), folder / "stamping.log"
        keep_stamping(traffic.capture, kept, options.records)
        lines += rows(
            Exports(str(kept), traffic.spec("sparse"), folder, status=1), options.records, options.runs
        )
    print(f"{where}\n\n| {' | '.join(HEAD)} |", "|" + "---|" * len(HEAD), *lines, sep="\n")


if __name__ == "__main__":
    main()
