"""Time extraction beside cantools on the same frames: python -m tests.bench.extraction.

130 messages with 4 signals each, both byte orders, signed and unsigned; 60,000 frames a chunk. Dense: every
frame is described. Sparse: one in eight. Multiplexed: 16 pages of 3 signals in every message.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import cantools
import numpy as np

from canmap.base.memory import keep_freed_memory
from canmap.mapping.description.load import load_description
from canmap.signals.extract import extract
from canmap.signals.plan import DecodePlan
from tests.layouts import HEADER

if TYPE_CHECKING:
    from collections.abc import Callable

MESSAGES, FRAMES, FIRST_ID = 130, 60_000, 0x100
LITTLE = ("0|16@1-", "16|12@1+", "32|16@1+", "48|8@1+")
BIG = ("7|16@0-", "23|12@0+", "39|16@0+", "56|8@1+")
PAGE = ("8|16@1-", "24|12@1+", "40|16@1+")


def plain(number: int) -> str:
    lines = [f"BO_ {FIRST_ID + number} M{number}: 8 Kit"]
    lines += [f' SG_ S{n} : {at} (0.1,0) [0|0] "" Kit' for n, at in enumerate(BIG if number % 2 else LITTLE)]
    return "\n".join(lines) + "\n\n"


def multiplexed(number: int) -> str:
    lines = [f"BO_ {FIRST_ID + number} M{number}: 8 Kit", ' SG_ Page M : 0|4@1+ (1,0) [0|0] "" Kit']
    lines += [
        f' SG_ S{page}_{n} m{page} : {at} (0.1,0) [0|0] "" Kit'
        for page in range(16)
        for n, at in enumerate(PAGE)
    ]
    return "\n".join(lines) + "\n\n"


def ns_per_frame(work: Callable[[], object], frames: int, runs: int) -> str:
    """Return median and best of `runs`, in nanoseconds per frame."""
    work()
    times = []
    for _ in range(runs):
        start = time.perf_counter_ns()
        work()
        times.append((time.perf_counter_ns() - start) / frames)
    return f"{statistics.median(times):9.1f} (best {min(times):.1f})"


def measure(title: str, message: Callable[[int], str], share: float) -> None:
    text = HEADER + "".join(map(message, range(MESSAGES)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kit.dbc"
        path.write_text(text, "utf-8")
        plan = DecodePlan.build([("drive", load_description(str(path)))])
    database = cantools.database.load_string(text, "dbc")
    random = np.random.default_rng(1)
    payload = random.integers(0, 256, (FRAMES, 8), dtype=np.uint8)
    length = np.full(FRAMES, 8, np.uint8)
    known = random.random(FRAMES) < share
    can_id = np.where(known, FIRST_ID + random.integers(0, MESSAGES, FRAMES), 0x700).astype(np.uint32)
    bus, extended = np.zeros(FRAMES, np.int8), np.zeros(FRAMES, np.bool_)
    slot = plan.slots_of(bus, can_id, extended)
    some = [
        (int(i), bytes(data)) for i, data in zip(can_id[:5000], payload[:5000], strict=True) if i != 0x700
    ]

    def with_cantools() -> None:
        for identifier, data in some:
            database.decode_message(identifier, data, decode_choices=False)

    print(f"{title:12}", "ns a frame, median of the runs")
    print("  slots     ", ns_per_frame(lambda: plan.slots_of(bus, can_id, extended), FRAMES, 50))
    print("  extract   ", ns_per_frame(lambda: extract(plan, payload, length, slot), FRAMES, 50))
    print("  cantools  ", ns_per_frame(with_cantools, len(some), 5), "a described frame")
    one = slice(0, 1)
    print("  one frame ", ns_per_frame(lambda: extract(plan, payload[one], length[one], slot[one]), 1, 200))


if __name__ == "__main__":
    measure("as it comes", plain, 1)
    keep_freed_memory()
    print("\nfreed memory kept")
    measure("dense", plain, 1)
    measure("sparse", plain, 1 / 8)
    measure("multiplexed", multiplexed, 1)
