"""Benchmark: how long a live frame takes to its record, and what share of a core that needs.

python -m tests.bench.latency --seconds 6

Frames of the benchmark's vehicle are due at 16,000 a second. A loop gathers what is due every 2 ms, and
prepares and folds it in the same thread, without reading ahead. The time of a frame counts from when it was
due to when its chunk is folded. Of several runs the best and the median are shown.

With ``--processor`` the clock goes on by what the thread takes of the processor, and by the pauses, which are
not slept: so it comes out as on a machine that does nothing else, however busy this one is.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from canmap.engine.engine import Engine
from canmap.frames.chunks import FrameChunk, join
from canmap.frames.readers import open_captures
from canmap.mapping.loader import load_spec
from tests.bench.traffic import write_log
from tests.bench.vehicle import describe

FRAMES_A_SECOND = 16_000
GATHER_S = 0.002
WAKING_S = 0.00006  # a pause is longer by the 50 us of Linux's timer slack (prctl(2), from memory) and some


class WallClock:
    """Time as it passes."""

    def now(self) -> float:
        """Return seconds since any moment."""
        return time.perf_counter()

    def pause(self, span_s: float) -> None:
        """Wait."""
        time.sleep(span_s)


class ProcessorClock(WallClock):
    """Time as it would pass if nobody else used the machine."""

    def __init__(self) -> None:
        self._paused_s = 0.0

    def now(self) -> float:
        """Return seconds since any moment."""
        return time.thread_time() + self._paused_s

    def pause(self, span_s: float) -> None:
        """Go on by a pause without waiting."""
        self._paused_s += span_s + WAKING_S


def frames_of(capture: Path) -> FrameChunk:
    """Read a capture as one chunk."""
    source = open_captures([str(capture)])
    try:
        return join([piece() for piece in source.pieces()])
    finally:
        source.close()


def run(frames: FrameChunk, spec: Path, clock: WallClock) -> tuple[float, float, float]:
    """Return median and 99th percentile of the delay in ms, and the share of a core."""
    engine = Engine(load_spec(str(spec)))
    before = engine.start
    due_s = np.arange(len(frames)) / FRAMES_A_SECOND
    delays, place = [], 0
    began, began_cpu = clock.now(), time.process_time()
    while place < len(frames):
        clock.pause(GATHER_S)
        stop = int(np.searchsorted(due_s, clock.now() - began))
        if stop == place:
            continue
        decoded = engine.decode(frames.take(slice(place, stop)))
        engine.fold(engine.prepare(decoded, before))
        before = engine.after(decoded, before)
        delays.append(clock.now() - began - due_s[place:stop])
        place = stop
    share = (time.process_time() - began_cpu) / (clock.now() - began)
    all_ms = np.concatenate(delays) * 1e3
    return float(np.median(all_ms)), float(np.quantile(all_ms, 0.99)), share


def main() -> None:
    """Measure both cases and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--processor", action="store_true", help="count processor time")
    options = parser.parse_args()
    print("| case, best / median | p50 ms | p99 ms | of a core |\n|---|---|---|---|")
    with tempfile.TemporaryDirectory(prefix="canmap-bench-") as name:
        folder = Path(name)
        capture = folder / "traffic.log"
        write_log(capture, int(options.seconds * FRAMES_A_SECOND), faults=False)
        frames = frames_of(capture)
        for case in ("sparse", "dense"):
            spec, _ = describe(case, folder)
            clock = ProcessorClock() if options.processor else WallClock()
            runs = [run(frames, spec, clock) for _ in range(options.runs)]
            p50, p99, share = ((min(column), median(column)) for column in zip(*runs, strict=True))
            cells = [f"{one[0]:.1f} / {one[1]:.1f}" for one in (p50, p99)]
            print(f"| {case} | {' | '.join(cells)} | {share[0]:.0%} / {share[1]:.0%} |")


if __name__ == "__main__":
    main()
