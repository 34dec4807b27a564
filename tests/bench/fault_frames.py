"""How far the frames of every fault are from those without it, and from those of its nearest neighbour.

python -m tests.bench.fault_frames [SEEDS]

For each example of `tests/fault_examples.py`, over all seeds: the share of its frames that the clean run has
not, by what differs (none near, another payload, another time), the example whose frames are nearest, and the
messages on which most differ. Ends with 1 if two are the same and no stated tie, or a tie is none.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from itertools import combinations
from pathlib import Path

from tests.fault_examples import EXAMPLES, TIES, Distance, distances, trip_of

SHOWN = 3  # messages


def measured(seeds: int) -> int:
    """Run all examples with that many seeds and print the table; return how many pairs are not as stated."""
    apart: dict[str, Counter[str]] = {name: Counter() for name in EXAMPLES}
    parts = {name: [0, 0, 0, 0] for name in EXAMPLES}
    nearest: dict[str, dict[str, int]] = {name: {} for name in EXAMPLES}
    wrong: set[tuple[str, str]] = set()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(seeds):
            clean = trip_of(Path(folder), None, seed)
            trips = {name: trip_of(Path(folder), name, seed) for name in EXAMPLES}
            for name, trip in trips.items():
                told = distances(clean, trip)
                parts[name][3] += sum(map(len, (stamps for stamps, _ in trip.frames.values())))
                for (channel, can_id), each in told.items():
                    apart[name][f"{channel} {'error' if can_id < 0 else f'{can_id:03X}'}"] += each.differing
                    for place, count in enumerate(each[:3]):
                        parts[name][place] += count
                if not told:
                    wrong.add((name, "no fault"))
            for one, other in combinations(trips, 2):
                differing = _differing(distances(trips[one], trips[other]))
                if (differing == 0) is not ({one, other} in TIES):
                    wrong.add((one, other))
                for name, neighbour in ((one, other), (other, one)):
                    nearest[name][neighbour] = nearest[name].get(neighbour, 0) + differing
            print(f"seed {seed}", file=sys.stderr, flush=True)
    _print(apart, parts, nearest)
    for one, other in sorted(wrong):
        print(f"not as stated: {one} and {other}")
    return len(wrong)


def _differing(told: dict[tuple[str, int], Distance]) -> int:
    return sum(each.differing for each in told.values())


def _print(
    apart: dict[str, Counter[str]], parts: dict[str, list[int]], nearest: dict[str, dict[str, int]]
) -> None:
    heads = ("only here or there", "payload", "time")
    print(f"{'fault':32}{'differing':>10} {heads[0]:>18} {heads[1]:>8} {heads[2]:>6}  nearest, and most on")
    for name, messages in apart.items():
        *counts, frames = parts[name]
        close = min(nearest[name], key=lambda other: nearest[name][other])
        shares = [f"{100 * count / frames:.1f} %" for count in (sum(counts), *counts)]
        most = ", ".join(f"{message} ({count})" for message, count in messages.most_common(SHOWN))
        print(
            f"{name:32}{shares[0]:>10} {shares[1]:>18} {shares[2]:>8} {shares[3]:>6}"
            f"  {close} ({nearest[name][close]}); {most}"
        )


if __name__ == "__main__":
    sys.exit(1 if measured(int(sys.argv[1]) if len(sys.argv) > 1 else 20) else 0)
