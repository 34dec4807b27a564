"""Every scenario of every vehicle without a fault, a hundred seeds each; and an hour against the clock.

python -m tests.bench.clean_runs [SEEDS] [HOURS] [BATCHED]

BATCHED: so many hours each of a recorder that fetches every 10, 20 and 50 ms, without a fault, by a spec
without counters, so that lost frames are told by time. What is found there is false.
"""

from __future__ import annotations

import re
import resource
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from canmap.mapping.loader import load_spec
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.simulation import simulate_to_file
from canmap.simulator.wires import recorded
from tests.bench.clean_drives import DRIVES
from tests.streams import ROOT, inspected, spec_of

NAMES = ("orchard_cart/cart.yaml", "garden_carrier/garden_carrier.yaml")
SPECS = tuple(ROOT / "specs" / name for name in NAMES)
CART = SPECS[0].parent
HOUR = DRIVES["cart"].format(spec=SPECS[0], seconds=3600)


def clean(seeds: int) -> int:
    """Run all scenarios of all vehicles with that many seeds; return how many runs were not clean."""
    unclean = 0
    scenarios = [(spec, path) for spec in SPECS for path in sorted(spec.parent.glob("scenarios/*.yaml"))]
    for spec, path in scenarios:
        frames = 0
        for seed in range(seeds):
            result, _ = inspected(recorded(load_scenario(str(path), seed=seed).setup), spec_of(spec))
            frames += result.capture.frames
            bad = [finding.text for finding in result.findings if finding.severity != "note"]
            unclean += bool(bad)
            for text in bad:
                print(f"{path.stem}, seed {seed}: {text}")
        print(f"{path.stem}: {seeds} seeds, {frames:,} frames", flush=True)
    return unclean


def hour() -> None:
    """Simulate an hour to a capture and say how long it took."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scenario.yaml"
        path.write_text(HOUR, encoding="utf-8")
        wall_s, core_s = time.perf_counter(), time.process_time()
        outcome = simulate_to_file(load_scenario(str(path)), f"{folder}/hour.log")
        wall_s, core_s = time.perf_counter() - wall_s, time.process_time() - core_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"an hour, {outcome.frames:,} frames: {wall_s:.1f} s ({3600 / wall_s:.0f} times real time),"
        f" {core_s:.1f} s of a core ({3600 / core_s:.0f} times), {peak_mb:.0f} MB"
    )


def batched_hours(hours: int) -> int:
    """Inspect hours of batched stamps, without counters; return how many findings there are."""
    text = re.sub(r"\n    counter: .*", "", (CART / "cart.yaml").read_text(encoding="utf-8"))
    text = re.sub(r"requires: \[counter, checksum", "requires: [checksum", text)
    false = 0
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "shared", Path(folder) / "shared")  # which the spec includes
        beside = Path(folder) / "specs" / "cart"
        beside.mkdir(parents=True)
        spec_path, path = beside / "cart.yaml", beside / "scenario.yaml"
        for name in ("kit.dbc", "chassis.dbc"):
            (beside / name).write_bytes((CART / name).read_bytes())
        spec_path.write_text(text, encoding="utf-8")
        for batch_ms in (10, 20, 50):
            path.write_text(f"{HOUR}recorder: {{batch: {batch_ms} ms}}\n", encoding="utf-8")
            for seed in range(hours):
                setup = load_scenario(str(path), seed=seed).setup
                result, _ = inspected(recorded(setup), load_spec(str(spec_path)))
                bad = [one for one in result.findings if one.severity != "note"]
                false += len(bad)
                kinds = Counter((one.kind.value, one.place.message) for one in bad)
                told = f"{result.capture.frames:,} frames, {len(bad)} false: {dict(kinds)}"
                print(f"an hour, fetched every {batch_ms} ms, seed {seed}: {told}", flush=True)
                for one in bad[:5]:
                    print(f"  {one.text}")
    return false


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]] or [100]
    if len(given) < 2 or given[1]:
        hour()
    false = batched_hours(given[2]) if len(given) > 2 else 0
    sys.exit(1 if clean(given[0]) + false else 0)
