"""Builders of bus traffic for tests of the simulator."""

from __future__ import annotations

import random
from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import strategies as st

from canmap.frames.chunks import COLUMNS
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.frame_bits import wire_length
from canmap.simulator.buses.held_bus import HeldBus
from canmap.simulator.buses.network import (
    Babble,
    BusConfig,
    Disturbance,
    Dominant,
    Node,
    Queue,
    Release,
    SupplyLoss,
    Transmission,
    WireFault,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.simulator.buses.traffic import Sent

MS = 1_000_000
BIT_NS = 2000  # at 500 kbit/s
BABBLE = b"babble"  # what babblers send

nodes = st.builds(
    Node,
    name=st.just("node"),
    queue=st.sampled_from(Queue),
    mailboxes=st.sampled_from([None, 1, 3]),
    capacity=st.sampled_from([None, 2, 5]),
    replaces=st.booleans(),
    recovers=st.booleans(),
    recovery_ns=st.sampled_from([0, 3 * MS]),
)
networks = st.builds(
    BusConfig,
    name=st.just("drive"),
    bit_rate=st.just(500_000),
    nodes=st.lists(nodes, min_size=1, max_size=4).map(tuple),
    acknowledged=st.sampled_from([True, True, False]),
)
plain_networks = st.integers(1, 4).map(
    lambda count: BusConfig("drive", 500_000, tuple(Node(str(n)) for n in range(count)))
)


@st.composite
def releases(draw: st.DrawFn, config: BusConfig, *, twins: bool = True) -> list[Release]:
    """Releases within 40 ms, ordered, with many at the same time; `twins`: identifiers of several nodes."""
    chance = random.Random(draw(st.integers(0, 1 << 30)))
    grain_ns = draw(st.sampled_from([1, 50_000, MS]))
    out = []
    for _ in range(draw(st.integers(0, 60))):
        node = chance.randrange(len(config.nodes))
        can_id = chance.choice([0x10, 0x55, 0x100, 0x101, 0x7FF])
        if not twins:
            can_id = (can_id & ~0x3) | node
        extended, remote = chance.random() < 0.2, chance.random() < 0.1
        payload = b"" if remote else chance.randbytes(chance.randrange(9))
        t_ns = chance.randrange(40 * MS) // grain_ns * grain_ns
        out.append(Release(t_ns, node, Frame(can_id, payload, extended, remote)))
    return sorted(out, key=lambda release: release.t_ns)


def wire_faults(start_ns: int, stop_ns: int, share: float, node: int) -> list[WireFault]:
    """Damage to all frames, to those of a node, now and then, or by a node that misreads them."""
    return [
        WireFault(start_ns, stop_ns, share),
        WireFault(start_ns, stop_ns, share, node),
        WireFault(start_ns, stop_ns, share, node, when=lambda t_ns: t_ns // MS % 3 == 0, deaf=True),
        WireFault(start_ns, stop_ns, share, flagged_by=node),
    ]


@st.composite
def troubles(draw: st.DrawFn, config: BusConfig) -> list[Disturbance]:
    """Up to three disturbances within 60 ms."""
    out: list[Disturbance] = []
    for _ in range(draw(st.integers(0, 3))):
        start_ns = draw(st.integers(0, 40 * MS))
        stop_ns = start_ns + draw(st.integers(1, 20 * MS))
        node = draw(st.integers(0, len(config.nodes) - 1))
        match draw(st.sampled_from(["wire", "supply", "babble", "dominant"])):
            case "wire":
                share = draw(st.sampled_from([0.1, 0.5, 1.0]))
                out.append(draw(st.sampled_from(wire_faults(start_ns, stop_ns, share, node))))
            case "supply":
                out.append(SupplyLoss(start_ns, stop_ns, node))
            case "dominant":
                out.append(Dominant(start_ns, stop_ns))
            case _:
                frame = Frame(draw(st.sampled_from([0x3, 0x55, 0x102])), BABBLE)
                gap_ns = draw(st.sampled_from([0, 3 * BIT_NS, 4 * BIT_NS, MS]))
                out.append(Babble(start_ns, stop_ns, node, frame, gap_ns))
    return out


def run(
    config: BusConfig,
    released: Sequence[Release],
    disturbances: Sequence[Disturbance] = (),
    seed: int = 0,
    until_ns: int = 200 * MS,
) -> tuple[list[Transmission], HeldBus]:
    """Return what became of `released`, and the bus afterwards."""
    bus = HeldBus(config, disturbances, seed)
    bus.submit(released)
    return bus.advance(until_ns) + bus.finish(), bus


def same(one: Sent, other: Sent) -> bool:
    """Return whether two tables of transmissions are equal."""
    ours = [getattr(one, field.name) for field in fields(one)[1:]]
    theirs = [getattr(other, field.name) for field in fields(other)[1:]]
    ours += [getattr(one.frames, name) for name in COLUMNS if name != "line"]
    theirs += [getattr(other.frames, name) for name in COLUMNS if name != "line"]
    return all(np.array_equal(a, b) for a, b in zip(ours, theirs, strict=True))


def frame_of(priority: int, bits: int) -> Frame:
    """Return a data frame of exactly `bits` bits without the intermission, its identifier by `priority`.

    No frame reaches the bound on the stuff bits of its payload length, so longer ones are tried, too, and
    extended frames.
    """
    chance = random.Random(priority << 10 | bits)
    for _ in range(20_000):
        payload = bytes(chance.choice([0, 0xFF, 0x3C, chance.randrange(256)]) for _ in range(8))
        upper = priority << 4 | chance.randrange(16)
        for extended in (False, True):
            for length in range(9):
                frame = Frame(upper << 18 if extended else upper, payload[:length], extended)
                if wire_length(frame).nominal == bits:
                    return frame
    raise LookupError(f"no frame with {bits} bits")
