"""Speed of every reader, beside python-can's reader on the same file: python -m tests.bench.readers [FRAMES].

The same traffic is written in every format. Each reader is timed from opening the file to its last frame, in
turn with python-can's, several times; the median counts. python-can's frames are dropped as they come, so
that nothing but its reading is measured; it reads no packet captures, no table of frames, and MDF only where
asammdf is installed. Each format has a process of its own.
"""

from __future__ import annotations

import multiprocessing
import statistics
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.extras import python_can
from canmap.frames.capture_formats import BY_ENDING, Fd
from canmap.frames.chunks import FLAG_FD, FLAG_RECEIVED, FrameChunk, empty_chunk
from canmap.frames.readers import open_captures
from canmap.outputs.captures.writers import write_capture

if TYPE_CHECKING:
    from collections.abc import Callable

FRAMES = 200_000
ROUNDS = 5
FD_SHARE = 0.05
FD_LENGTHS = np.array([8, 12, 16, 32, 64], np.uint8)


def traffic(frames: int, *, fd: bool) -> FrameChunk:
    """Return frames of 60 identifiers on two channels, 5 % of them FD where the format holds them."""
    random = np.random.default_rng(7)
    chunk = empty_chunk(("1", "2"), frames, 64 if fd else 8)
    chunk.t_ns[:] = 1_700_000_000_000_000_000 + np.cumsum(random.integers(20, 600, frames)) * 1000
    chunk.channel[:] = random.integers(0, 2, frames)
    chunk.can_id[:] = random.integers(0x100, 0x700, 60)[random.integers(0, 60, frames)]
    chunk.extended[:] = random.random(frames) < 0.2
    chunk.flags[:] = FLAG_RECEIVED
    chunk.length[:] = 8
    if fd:
        is_fd = random.random(frames) < FD_SHARE
        chunk.flags[is_fd] |= FLAG_FD
        chunk.length[is_fd] = FD_LENGTHS[random.integers(0, len(FD_LENGTHS), int(is_fd.sum()))]
    chunk.payload[:] = random.integers(0, 256, chunk.payload.shape)
    chunk.payload[np.arange(chunk.payload.shape[1]) >= chunk.length[:, None]] = 0
    chunk.line[:] = np.arange(1, frames + 1)
    return chunk


def read_here(path: str) -> int:
    """Read a capture to its end and return its frames."""
    source = open_captures([path])
    frames = sum(len(piece()) for piece in source.pieces())
    source.close()
    return frames


def read_there(path: str) -> int:
    """Do the same with python-can."""
    if path.endswith(".mf4"):
        import can as library  # with asammdf, whose import slows whatever else runs beside it
    else:
        library = python_can()
    with library.LogReader(path) as reader:
        return sum(1 for _ in reader)


def measure(ending: str, frames: int) -> tuple[int, list[float], list[float]]:
    """Return how many frames a format holds, and how many seconds both readers took, round by round."""
    one = BY_ENDING[ending]
    reads_there = {".asc", ".blf", ".csv", ".db", ".log", ".trc"} | (
        {".mf4"} if find_spec("asammdf") else set()
    )
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / f"traffic{ending}")
        count = frames - write_capture(path, [traffic(frames, fd=one.writes.fd is Fd.FULL)])
        here, there = [], []
        for _ in range(ROUNDS):
            here.append(_timed(read_here, path, count))
            if ending in reads_there:
                there.append(_timed(read_there, path, count))
    return count, here, there


def _timed(read: Callable[[str], int], path: str, expected: int) -> float:
    began = time.perf_counter()
    frames = read(path)
    took = time.perf_counter() - began
    if frames != expected:
        raise SystemExit(f"{path}: {frames} frames instead of {expected}")
    return took


def main() -> int:
    """Print a line for each format; fail if a reader is slower than python-can's."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES
    slower = []
    print(f"{'format':9} {'frames/s':>12} {'python-can':>12} {'ratio':>6}   round by round")
    for ending in BY_ENDING:
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as alone:
            count, here, there = alone.submit(measure, ending, frames).result()
        line = f"{ending:9} {count / statistics.median(here):12,.0f}"
        if there:
            ratio = statistics.median(there) / statistics.median(here)
            ratios = [b / a for a, b in zip(here, there, strict=True)]
            line += f" {count / statistics.median(there):12,.0f} {ratio:6.1f}"
            line += f"   {min(ratios):.1f} to {max(ratios):.1f}"
            slower += [ending] if ratio < 1 else []
        print(line, flush=True)
    if slower:
        print(f"slower than python-can: {', '.join(slower)}")
    return 1 if slower else 0


if __name__ == "__main__":
    sys.exit(main())
