"""Benchmark: how long a live frame takes to its record, and what share of a core that needs.

python tests/bench/latency.py --seconds 6

Frames of the benchmark's vehicle are due at 16,000 a second. A loop gathers what is due every 2 ms, and
prepares and folds it in the same thread, without reading ahead. The time of a frame counts from when it was
due to when its chunk is folded. Of several runs the worst is shown.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from traffic import write_log
from vehicle import describe

from canmap.engine.engine import Engine
from canmap.frames.chunks import FrameChunk, join
from canmap.frames.readers import open_captures
from canmap.mapping.loader import load_spec

FRAMES_A_SECOND = 16_000
GATHER_S = 0.002


def frames_of(capture: Path) -> FrameChunk:
    """Read a capture as one chunk."""
    source = open_captures([str(capture)])
    try:
        return join([piece() for piece in source.pieces()])
    finally:
        source.close()


def run(frames: FrameChunk, spec: Path) -> tuple[float, float, float]:
    """Return median and 99th percentile of the delay in ms, and the share of a core."""
    engine = Engine(load_spec(str(spec)))
    due_s = np.arange(len(frames)) / FRAMES_A_SECOND
    delays, place = [], 0
    began, began_cpu = time.perf_counter(), time.process_time()
    while place < len(frames):
        time.sleep(GATHER_S)
        stop = int(np.searchsorted(due_s, time.perf_counter() - began))
        if stop == place:
            continue
        engine.fold(engine.prepare(frames.take(slice(place, stop))))
        delays.append(time.perf_counter() - began - due_s[place:stop])
        place = stop
    share = (time.process_time() - began_cpu) / (time.perf_counter() - began)
    all_ms = np.concatenate(delays) * 1e3
    return float(np.median(all_ms)), float(np.quantile(all_ms, 0.99)), share


def main() -> None:
    """Measure both cases and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--runs", type=int, default=2)
    options = parser.parse_args()
    print("| case | p50 ms | p99 ms | of a core |\n|---|---|---|---|")
    with tempfile.TemporaryDirectory(prefix="canmap-bench-") as name:
        folder = Path(name)
        capture = folder / "traffic.log"
        write_log(capture, int(options.seconds * FRAMES_A_SECOND), faults=False)
        frames = frames_of(capture)
        for case in ("sparse", "dense"):
            spec, _ = describe(case, folder)
            runs = [run(frames, spec) for _ in range(options.runs)]
            median, slowest, share = max(runs, key=lambda one: one[1])
            print(f"| {case} | {median:.1f} | {slowest:.1f} | {share:.0%} |")


if __name__ == "__main__":
    main()
