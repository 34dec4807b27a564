"""What is missing, stale, at a wrong rate or not covered, against a slow twin of the definitions.

Sessions of one capture and of several, that overlap, follow each other, leave holes and step, and windows on
them, are read from files as a user's are.
"""

from __future__ import annotations

import math
import os
import random
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.api.inspect import inspect
from canmap.base.errors import CaptureError
from tests.kits import TICK, TOCK, spec_of
from tests.streams import START_NS
from tests.time_twin import MS, Frame, Stream, Told, findings

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec

DEEP = bool(os.environ.get("CANMAP_DEEP"))
SINGLE, SEVERAL = (500, 300) if DEEP else (25, 25)
HEAD = """\
vehicle: Test cart
buses:
  front: {description: kit.dbc, channel: can0}
  rear: {description: kit.dbc, channel: can1}
"""
IDS = {"Tick": "100", "Tock": "200"}
PERIODS = {"Tick": 10 * MS, "Tock": 37 * MS}
CHANNEL_OF = {"front": "can0", "rear": "can1"}
STREAMS = [
    Stream(channel, message, period) for channel in CHANNEL_OF.values() for message, period in PERIODS.items()
]
KINDS = {"missing", "stale", "rate", "not_covered"}


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    """Two buses with two messages each, of 10 ms and 37 ms."""
    return spec_of(tmp_path, TICK + TOCK, periods_ms={256: 10, 512: 37}, head=HEAD)


def times_of(rng: random.Random, period: int, start: int, stop: int) -> list[int]:
    """When a message comes: on time, too fast, too slow or not at all, for stretches of chance length."""
    times = []
    t = start + rng.randrange(period)
    while t < stop:
        until = t + rng.choice([50, 300, 1500, 3000]) * MS
        way = rng.choice(["right", "right", "right", "jitter", "fast", "slow", "edge", "silent"])
        while t < min(until, stop):
            if way == "silent":
                t = until
                break
            times.append(t)
            factor = {"fast": 0.7, "slow": 1.3, "edge": 1.2}.get(way, 1.0)
            jitter = rng.randrange(-period // 3, period // 3) if way == "jitter" else 0
            t += round((period * factor + jitter) / 1000) * 1000
    return [t for t in times if t < stop]


def capture_of(rng: random.Random, start: int, stop: int) -> list[Frame]:
    channels = rng.choice([["can0"], ["can1"], ["can0", "can1"], ["can0", "can1"]])
    frames = []
    for channel in channels:
        late = start + rng.choice([0, 0, 0, 200, 900]) * MS
        for message, period in PERIODS.items():
            if rng.random() < 0.9:
                frames += [Frame(t, channel, message) for t in times_of(rng, period, late, stop)]
    frames.sort(key=lambda frame: frame.t_ns)
    if frames and rng.random() < 0.25:
        at, step = rng.randrange(len(frames)), rng.choice([-30, -60, -1500, 4_000_000]) * MS
        frames[at:] = [frame._replace(t_ns=frame.t_ns + step) for frame in frames[at:]]
    return frames


def captures_of(rng: random.Random, most: int) -> list[list[Frame]]:
    captures = []
    start = START_NS
    for _ in range(rng.randint(2, most) if most > 1 else 1):
        stop = start + rng.choice([80, 400, 2500, 6000]) * MS
        captures.append(capture_of(rng, start, stop))
        start = stop + rng.choice([-5000, -700, -20, 0, 0, 40, 99, 101, 150, 900, 3000]) * MS
        start = max(start, START_NS)
    rng.shuffle(captures)
    return [frames for frames in captures if frames] or [[Frame(START_NS, "can0", "Tick")]]


def window_of(rng: random.Random) -> tuple[float, float]:
    begin = rng.choice([0.0, 0.0, 0.35, 1.0, 2.777])
    return rng.choice(
        [(0.0, math.inf), (begin, math.inf), (begin, begin + rng.choice([0.05, 0.6, 2.0, 4.0]))]
    )


def as_told(finding: Finding) -> Told:
    place = finding.place
    if finding.kind == "not_covered":
        channels = finding.text.split(" for ")[0].split("channel")[1].removeprefix("s").split(" and ")
        where = tuple(channel.strip() for channel in channels)
    else:
        where = (CHANNEL_OF[str(place.bus)], str(place.message))
    return Told(
        finding.kind.value, finding.severity.value, where, finding.start_ns, finding.end_ns, finding.open,
        finding.count, 0.0 if finding.value is None else round(finding.value, 9),
    )  # fmt: skip


def told_by_engine(
    folder: Path, captures: list[list[Frame]], spec: Spec, window: tuple[float, float]
) -> list[Told]:
    paths = []
    for number, frames in enumerate(captures):
        paths.append(folder / f"{number}.log")
        lines = (
            f"({t // 10**9}.{t % 10**9 // 1000:06d}) {channel} {IDS[message]}#0000000000000000\n"
            for t, channel, message in frames
        )
        paths[-1].write_text("".join(lines), encoding="ascii")
    try:
        result = inspect(paths, spec, span_s=window)
    except CaptureError:  # no frame in the window
        return []
    single = [part for f in result.findings for part in (f.parts or (f,))]
    judged = [f for f in single if f.kind in KINDS]
    return sorted((as_told(f) for f in judged if f.place.message or f.kind != "missing"), key=repr)


def check(folder: Path, spec: Spec, seed: str, most: int) -> None:
    rng = random.Random(seed)
    captures = captures_of(rng, most)
    captures = [[f._replace(t_ns=f.t_ns // 1000 * 1000) for f in frames] for frames in captures]
    window = window_of(rng)
    expected = (replace(told, value=round(told.value, 9)) for told in findings(captures, STREAMS, window))
    assert told_by_engine(folder, captures, spec, window) == sorted(expected, key=repr), (seed, window)


@pytest.mark.parametrize("seed", range(SINGLE))
def test_one_capture(seed: int, tmp_path: Path, spec: Spec) -> None:
    check(tmp_path, spec, f"one {seed}", 1)


@pytest.mark.parametrize("seed", range(SEVERAL))
def test_several_captures(seed: int, tmp_path: Path, spec: Spec) -> None:
    check(tmp_path, spec, f"several {seed}", 4)
