"""How many times faster than real time every fault of the simulator runs, on both vehicles.

python -m tests.bench.disturbed_runs [--seconds S] [--only WORD] [--against FOLDER]

Each example of `tests/fault_examples.py` disturbs a drive from its second second to its end. A run is
`canmap simulate` as a whole process, its modules compiled as when installed, counted in the user's time: from
its start to the written capture. Prints the slowest first. `--against` runs another version,
whose root FOLDER is, in turn, and marks runs with other bytes of capture or truth.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.carrier_examples import CARRIER, on_carrier
from tests.fault_examples import EXAMPLES
from tests.streams import CART, ROOT

DRIVE = """
scenario: A disturbed drive
spec: {spec}
duration: {seconds:g} s
{more}
repeat: {{from: 1.3 s, every: 12 s}}
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.1 s, driver: shift, gear: forward}}
  - {{at: 1.3 s, computer: enable}}
  - {{at: 1.35 s, computer: drive, speed: 8 km/h}}
  - {{at: 2.1 s, computer: turn, angle: 100 deg, rate: 90 deg/s}}
  - {{at: 6 s, computer: turn, angle: -100 deg, rate: 90 deg/s}}
  - {{at: 11 s, computer: turn, angle: 0 deg, rate: 90 deg/s}}
  - {{at: 12.9 s, computer: hand back}}
"""
WATCHES = "computer: {withdraws_after: 200 ms, by: enable}"
OTHERS = "other_traffic: {identifiers: 60, load: 40 %}"
# Without a fault of an example: what else the scenario says.
SETTINGS = {"watching": WATCHES, "watching, other traffic": f"{WATCHES}\n{OTHERS}"}
WORST = 25  # times real time
WARM_UP_S = 14.0


class Drive(NamedTuple):
    """A run: its name, the scenario and the faults as text, None for none."""

    name: str
    scenario: str
    fault: str | None


class Measured(NamedTuple):
    """What a run took of the user's processor time, in s, and the sum of what it wrote; "" if refused."""

    user_s: float
    digest: str


def drives(seconds: float) -> list[Drive]:
    """Every run, of the cart and of the carrier."""
    found = []
    lasting = {
        name: text.replace("for: 700 ms", f"for: {seconds - 2:g} s") for name, text in EXAMPLES.items()
    }
    for vehicle, spec in (("cart", CART), ("carrier", CARRIER)):
        for name, more in SETTINGS.items():
            found.append(
                Drive(f"{vehicle}: {name}", DRIVE.format(spec=spec, seconds=seconds, more=more), None)
            )
        for name, text in lasting.items():
            fault = text if vehicle == "cart" else on_carrier(text)
            scenario = DRIVE.format(spec=spec, seconds=seconds, more="")
            found.append(Drive(f"{vehicle}: {name}", scenario, fault))
        scenario = DRIVE.format(spec=spec, seconds=seconds, more=OTHERS)
        fault = f"{{kind: wiring, share: 20 %, at: 1.9 s, for: {seconds - 2:g} s}}"
        found.append(Drive(f"{vehicle}: wiring, other traffic", scenario, fault))
    return found


def measured(drive: Drive, root: str, folder: Path) -> Measured:
    """Run it once, as a process of the version at `root`."""
    (folder / "scenario.yaml").write_text(drive.scenario, encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "canmap",
        "simulate",
        "scenario.yaml",
        "--into",
        "run.log",
        "--overwrite",
    ]
    if drive.fault is not None:
        (folder / "faults.yaml").write_text(f"faults:\n  - {drive.fault}\n", encoding="utf-8")
        command += ["--faults", "faults.yaml"]
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    surroundings |= {"PYTHONPATH": root, "PYTHONPYCACHEPREFIX": str(folder / "bytecode")}
    with (folder / "told").open("wb") as told:
        child = subprocess.Popen(command, cwd=folder, env=surroundings, stdout=told, stderr=told)
        _, status, usage = os.wait4(child.pid, 0)
    if status:
        return Measured(usage.ru_utime, "")
    written = b"".join((folder / f"run{ending}").read_bytes() for ending in (".log", ".yaml"))
    return Measured(usage.ru_utime, hashlib.sha256(written).hexdigest()[:12])


def main() -> int:
    """Measure, and print the table; return how many runs are too slow, or other than those of the version."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="of each drive")
    parser.add_argument("--only", default="", help="runs with this word in their name")
    parser.add_argument("--against", help="the root of another version")
    options = parser.parse_args()
    rows: list[tuple[float, float, str, bool]] = []
    roots = [str(ROOT), *([options.against] if options.against else [])]
    with tempfile.TemporaryDirectory(prefix="canmap-bench-") as name:
        for root in roots:  # its modules are compiled
            measured(drives(WARM_UP_S)[0], root, Path(name))
        for drive in drives(options.seconds):
            if options.only not in drive.name:
                continue
            told = [measured(drive, root, Path(name)) for root in roots]
            here, there = told[0], told[-1]
            if not here.digest:
                print(f"{drive.name}: refused: {(Path(name) / 'told').read_text().splitlines()[-1]}")
                continue
            rows.append((here.user_s, there.user_s, drive.name, here.digest == there.digest))
            print(f"{drive.name}: {here.user_s:.2f} s, {there.user_s:.2f} s, {here.digest}", file=sys.stderr)
    for here_s, there_s, name, same in sorted(rows, reverse=True):
        before = f"{options.seconds / there_s:>8.1f}" if options.against else ""
        print(f"{options.seconds / here_s:>8.1f}{before}  {name}{'' if same else '  OTHER BYTES'}")
    return sum(here_s * WORST > options.seconds or not same for here_s, _, _, same in rows)


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
