"""Drives in which every carry of the engine matters, made frame by frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.protect import protect
from tests.streams import CART, MS, START_NS, VEHICLE, frames, spec_of

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk


def eventful() -> FrameChunk:
    """A drive in which every carry of the engine matters: a drop, wrong rate and value, a step back."""
    rows = []
    for i in range(2000):
        t_ns = START_NS + 123 * MS + i * 10 * MS - (3000 * MS if 1500 <= i < 1600 else 0)
        angle = (20000 if 700 <= i < 760 or 900 <= i < 910 else i).to_bytes(2, "little") + bytes.fromhex(
            "00B0000000FF"
        )
        if not 400 <= i < 450:
            rows.append((t_ns, "can0", 0x101, angle[: 3 if 300 <= i < 310 else 8]))
        if 800 <= i < 830:
            rows.append((t_ns + 50, "can0", 0x101, angle))
        if i % 2 == 0 and (i < 1000 or i % 4 == 0):
            gear = 5 if 1000 <= i < 1200 and i % 16 == 0 else 3
            rows.append((t_ns + 100, "can0", 0x112, bytes([1, 0x90, 1, 0, 0x18 | gear, 3, 0, 0])))
    return with_failures(protect(frames(rows), spec_of(CART)))


def with_failures(chunk: FrameChunk) -> FrameChunk:
    """What came 50 ns after a frame is it once more; some counters stand, some frames are lost or damaged."""
    again = np.flatnonzero(np.diff(chunk.t_ns) == 50) + 1
    chunk.payload[again] = chunk.payload[again - 1]
    steering = np.flatnonzero(chunk.can_id == 0x101)
    for first in (300, 306, 350, 351, 600, 1400, 1401, 1402):
        chunk.payload[steering[first + 1]] = chunk.payload[steering[first]]
    chunk.payload[steering[[500, 501, 1200]], 6] ^= 1
    kept = np.ones(len(chunk), np.bool_)
    kept[steering[[100, 101, 700, 1300]]] = False
    return chunk.take(kept)


def within_faults(whole: FrameChunk) -> list[int]:
    """Cuts before a frame that came twice, within counters that stand, and between two that do."""
    again = np.flatnonzero(np.diff(whole.t_ns) == 50) + 1
    steering = np.flatnonzero(whole.can_id == 0x101)
    _, stands = np.unique(whole.payload[steering], axis=0, return_inverse=True)
    same = steering[1:][stands[1:] == stands[:-1]]
    return sorted([int(again[9]), *same.tolist(), *(int(row) + 5 for row in same[:2])])


def modal() -> FrameChunk:
    """The vehicle with a message that is awaited in one mode only: silent in it, and when it ends."""
    rows = []
    for i in range(600):
        t_ns = START_NS + i * 10 * MS
        if i % 10 == 0:
            mode = 2 if 100 <= i < 200 or 300 <= i < 450 else 1
            rows.append((t_ns, "can0", 0x130, bytes([mode, 0, 0, 0])))
        if i % 15 == 4:
            rows.append((t_ns + 50, "can0", 0x111, bytes([0, 0, 0, 0, 3, 0, 0, 0])))
        if (i < 150 or 320 <= i < 400) and i % 2 == 0:
            rows.append((t_ns + 100, "can0", 0x102, bytes(8)))
        if 20 < i < 300 and i % 7 == 0:
            rows.append((t_ns + 200, "can0", 0x140, bytes([0, 0, 2 if i % 2 else 0, 0])))
    return protect(frames(rows, ("can0", "can1")), spec_of(VEHICLE))
