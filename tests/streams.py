"""Streams of frames for tests: drawn by hypothesis, or made regular and then damaged."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import strategies as st

from canmap.engine.engine import Engine
from canmap.frames.chunks import FrameChunk, FrameKind, empty_chunk
from canmap.mapping.loader import load_spec
from canmap.results.inspection import conclude
from tests.protect import protect

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.findings.episodes import Event
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import Step

ROOT = Path(__file__).parent.parent
CART = ROOT / "specs" / "orchard_cart" / "cart.yaml"
VEHICLE = Path(__file__).parent / "data" / "utility_vehicle" / "vehicle.yaml"
TRUCK = Path(__file__).parent / "data" / "truck" / "truck.yaml"  # known by parameter groups
START_NS = 1_700_000_000 * 1_000_000_000
MS = 1_000_000


@cache
def spec_of(path: Path = CART) -> Spec:
    """The spec at `path`, loaded once."""
    return load_spec(str(path))


def frames(rows: Iterable[tuple[int, str, int, bytes]], channels: tuple[str, ...] = ("can0",)) -> FrameChunk:
    """A chunk of data frames from (t_ns, channel, identifier, payload)."""
    listed = list(rows)
    chunk = empty_chunk(channels, len(listed))
    for i, (t_ns, channel, can_id, payload) in enumerate(listed):
        chunk.t_ns[i] = t_ns
        chunk.channel[i] = channels.index(channel)
        chunk.can_id[i] = can_id
        chunk.length[i] = len(payload)
        chunk.payload[i, : len(payload)] = np.frombuffer(payload, np.uint8)
        chunk.line[i] = i + 1
    return chunk


def taker(engine: Engine) -> Callable[[FrameChunk], Step]:
    """A function that brings the next chunk through both halves of an engine."""
    before = engine.start

    def take(chunk: FrameChunk) -> Step:
        nonlocal before
        decoded = engine.decode(chunk)
        step = engine.fold(engine.prepare(decoded, before))
        before = engine.after(decoded, before)
        return step

    return take


def inspected(
    chunks: Iterable[FrameChunk], spec: Spec | None = None, keep: Iterable[str] = ()
) -> tuple[Inspection, list[Event]]:
    """What the engine makes of chunks, and the events on the way."""
    engine = Engine(spec or spec_of())
    take = taker(engine)
    kept: dict[str, list] = {name: [] for name in keep}
    events: list[Event] = []
    for chunk in chunks:
        step = take(chunk)
        events += step.events
        for records in step.records:
            if records.name in kept:
                kept[records.name].append(records)
    events += engine.finish().events
    return conclude(engine, ("test",), kept), events


STEPS_NS = (
    *(0, 300_000, 4 * MS, 10 * MS, 10 * MS, 11 * MS, 20 * MS, 65 * MS, 110 * MS, 400 * MS, 1_500 * MS),
    *(-1 * MS, -49 * MS, -51 * MS, -3_000 * MS, 2_990 * MS, 3_700_000 * MS),
)


@st.composite
def streams(draw: st.DrawFn, spec_path: Path = CART) -> FrameChunk:
    """Any stream on the channels of a spec: known and unknown messages, odd lengths, steps of the clock."""
    spec = spec_of(spec_path)
    described = [(rule.bus, rule.message) for rule in spec.messages]
    channels = (*(bus.channel for bus in spec.buses.values()), "other")
    count = draw(st.integers(0, 60))
    chosen = draw(st.lists(st.integers(0, len(described) + 1), min_size=count, max_size=count))
    steps = draw(st.lists(st.sampled_from(STEPS_NS), min_size=count, max_size=count))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    chunk = empty_chunk(channels, count)
    chunk.t_ns[:] = START_NS + np.cumsum(np.array(steps, np.int64)) if count else 0
    for i, number in enumerate(chosen):
        bus, message = described[number] if number < len(described) else (None, None)
        length = message.length if message else int(random.integers(0, 9))
        if random.random() < 0.15:
            length = int(random.integers(0, 9))
        chunk.channel[i] = channels.index(spec.buses[bus].channel) if bus else random.integers(len(channels))
        chunk.can_id[i] = message.can_id if message else random.integers(0x700, 0x704)
        chunk.extended[i] = message.extended if message else False
        if message and message.group:  # any priority, some other source
            chunk.can_id[i] = chunk.can_id[i] & 0x3FF_FF00 | int(random.integers(0, 8)) << 26
            chunk.can_id[i] |= random.choice([0x00, 0x01, 0x0B, message.can_id & 0xFF])
        chunk.kind[i] = random.choice([FrameKind.DATA] * 20 + [FrameKind.REMOTE, FrameKind.ERROR])
        chunk.length[i] = length
        chunk.payload[i, :length] = random.integers(0, 256, length) & random.choice([255, 15, 0])
        chunk.line[i] = i + 1
    protect(chunk, spec, random)
    for i in range(1, count):
        if random.random() < 0.1:
            _repeat(chunk, i, int(random.choice([0, 20_000, 150_000, 400_000])))
    return chunk


def _repeat(chunk: FrameChunk, i: int, later_ns: int) -> None:
    """Record frame i - 1 a second time, as frame i, shifting what follows."""
    for column in (chunk.channel, chunk.can_id, chunk.extended, chunk.kind, chunk.length, chunk.payload):
        column[i] = column[i - 1]
    chunk.t_ns[i:] += chunk.t_ns[i - 1] + later_ns - chunk.t_ns[i]


def cuts(chunk: FrameChunk) -> st.SearchStrategy[list[int]]:
    """Places to cut a chunk: none, one, many, the same twice, before every frame."""
    return st.lists(st.integers(0, len(chunk)), max_size=12).map(sorted) | st.just(
        list(range(len(chunk) + 1))
    )
