"""How far the frames of every fault are from those without it, and from those of every other fault.

python -m tests.bench.fault_frames [SEEDS]

For each example of `tests/fault_examples.py`, on both vehicles, over all seeds: the share of its frames that
the clean run has not, by what differs (none near, another payload, another time), the example whose frames
are nearest, and the messages on which most differ. Then the nearest pairs, with error frames and as a
recorder has them that leaves these out. Ends with 1 if two are the same with any seed and no stated tie, or a
tie is none. A run is made once; of each message, runs with the same frames are compared as one.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canmap.base.errors import FaultyFileError
from tests.carrier_examples import TIES_ON_CARRIER, carrier_trip_of
from tests.fault_examples import EXAMPLES, NOTHING, TIES, Trip, one_way, trip_of

if TYPE_CHECKING:
    from collections.abc import Collection

SHOWN = 3  # messages
NEAREST = 25  # pairs
CLEAN = "no fault"
VEHICLES = {"cart": trip_of, "carrier": carrier_trip_of}
STATED = {"cart": TIES, "carrier": TIES_ON_CARRIER}
Key = tuple[str, int]


@dataclass
class Measured:
    """What was measured of a vehicle: `CLEAN` and its examples, each against each.

    Attributes:
        names: `CLEAN` first.
        differing: int64[names, names], frames that differ, over all seeds.
        same: int64[names, names], seeds with which nothing does.
        parts: int64[names, 3], frames that differ from the clean run, by what differs.
        frames: int64[names], frames of the runs.
        messages: Where the frames differ from the clean run.
    """

    names: list[str]
    differing: np.ndarray
    same: np.ndarray
    parts: np.ndarray
    frames: np.ndarray
    messages: list[Counter[str]] = field(default_factory=list)

    @classmethod
    def of(cls, names: list[str]) -> Measured:
        """Nothing measured yet."""
        n = len(names)
        square = np.zeros((n, n), np.int64)
        counters: list[Counter[str]] = [Counter() for _ in names]
        return cls(names, square, square.copy(), np.zeros((n, 3), np.int64), np.zeros(n, np.int64), counters)

    def add(self, trips: list[Trip]) -> None:
        """Compare the runs of one seed, in the order of `names`."""
        whole = np.zeros_like(self.differing)
        for key in sorted({key for trip in trips for key in trip.frames}):
            columns = [trip.frames.get(key, NOTHING) for trip in trips]
            told = [(times.tobytes(), words.tobytes()) for times, words in columns]
            which = {each: place for place, each in enumerate(dict.fromkeys(told))}
            of = np.array([which[each] for each in told])
            first = [columns[told.index(each)] for each in which]
            apart = np.array([[one_way(a, b) for b in first] for a in first]).reshape(len(first), -1, 3)
            apart += apart.transpose(1, 0, 2)
            whole += apart.sum(axis=2)[of][:, of]
            self.parts += apart[of, of[0]]
            for counter, count in zip(self.messages, apart[of, of[0]].sum(axis=1).tolist(), strict=True):
                counter[f"{key[0]} {'error' if key[1] < 0 else f'{key[1]:03X}'}"] += count
        self.frames += [sum(len(times) for times, _ in trip.frames.values()) for trip in trips]
        self.differing += whole
        self.same += whole == 0

    def pairs(self) -> list[tuple[int, int, str, str]]:
        """How many frames of each pair differ, with how many seeds none does, and their names."""
        rows, columns = np.triu_indices(len(self.names), 1)
        counts = (self.differing[rows, columns].tolist(), self.same[rows, columns].tolist())
        names = ([self.names[row] for row in rows], [self.names[column] for column in columns])
        return sorted(zip(*counts, *names, strict=True))


def measured(vehicle: str, seeds: int) -> tuple[Measured, Measured]:
    """Run all examples that a vehicle has with that many seeds; with error frames, and without."""
    runs = VEHICLES[vehicle]
    names: list[str | None] = [None]
    with tempfile.TemporaryDirectory() as folder:
        for name in EXAMPLES:
            try:
                runs(Path(folder), name, 0)
            except FaultyFileError:
                print(f"{vehicle}: without {name}")
            else:
                names.append(name)
        whole, without = (Measured.of([name or CLEAN for name in names]) for _ in range(2))
        for seed in range(seeds):
            trips = [runs(Path(folder), name, seed) for name in names]
            whole.add(trips)
            without.add([without_error_frames(trip) for trip in trips])
            print(f"{vehicle}, seed {seed}", file=sys.stderr, flush=True)
    return whole, without


def without_error_frames(trip: Trip) -> Trip:
    """The same as a recorder has it that does not report error frames."""
    return trip._replace(frames={key: frames for key, frames in trip.frames.items() if key[1] >= 0})


def table(found: Measured) -> None:
    """Print how far each example is from the clean run, and from its nearest."""
    heads = ("only here or there", "payload", "time")
    print(f"{'fault':32}{'differing':>10} {heads[0]:>18} {heads[1]:>8} {heads[2]:>6}  nearest, and most on")
    for place, name in enumerate(found.names[1:], 1):
        counts = found.parts[place].tolist()
        shares = [f"{100 * count / found.frames[place]:.1f} %" for count in (sum(counts), *counts)]
        others = found.differing[place].copy()
        others[[0, place]] = np.iinfo(np.int64).max
        close = int(others.argmin())
        most = [(message, count) for message, count in found.messages[place].most_common(SHOWN) if count]
        told = ", ".join(f"{message} ({count})" for message, count in most)
        print(
            f"{name:32}{shares[0]:>10} {shares[1]:>18} {shares[2]:>8} {shares[3]:>6}"
            f"  {found.names[close]} ({others[close]}); {told}"
        )


def nearest(found: Measured, ties: Collection[set[str]], seeds: int) -> int:
    """Print the nearest pairs; return how many pairs are not as stated."""
    pairs = found.pairs()
    for differing, same, one, other in pairs[:NEAREST]:
        print(f"{differing:>8} {same:>4}  {one} and {other}{'  (a stated tie)' * ({one, other} in ties)}")
    wrong = [pair for pair in pairs if pair[1] != (seeds if {*pair[2:]} in ties else 0)]
    for differing, same, one, other in wrong:
        print(f"not as stated: {one} and {other}, the same with {same} seeds, else {differing} frames apart")
    return len(wrong)


def main(seeds: int) -> int:
    """Measure and print both vehicles; return how many pairs are not as stated."""
    wrong = 0
    for vehicle in VEHICLES:
        whole, without = measured(vehicle, seeds)
        print(f"\n{vehicle}, {seeds} seeds\n")
        table(whole)
        for found, what in ((whole, "with error frames"), (without, "without error frames")):
            print(f"\nthe nearest pairs, {what}: frames that differ, and seeds without any that does")
            wrong += nearest(found, STATED[vehicle], seeds)
    return wrong


if __name__ == "__main__":
    sys.exit(1 if main(int(sys.argv[1]) if len(sys.argv) > 1 else 20) else 0)
