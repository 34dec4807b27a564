"""Laws of the simulated bus, on any traffic, any queues and any disturbance."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canmap.simulator.buses.batch import BatchBus, joined, transmit
from canmap.simulator.buses.bus_stream import simulate_bus
from canmap.simulator.buses.frame import Frame, arbitration_key
from canmap.simulator.buses.frame_bits import (
    INTERMISSION,
    unstuffed_bits,
    wire_length,
    wire_lengths,
    worst_case_bits,
)
from canmap.simulator.buses.held_bus import HeldBus
from canmap.simulator.buses.network import BusConfig, Outcome, Transmission
from canmap.simulator.buses.traffic import as_chunk, columns_of, heard_of, traffic_of, transmissions_of
from canmap.simulator.buses.wire import header, wire_bits
from tests.buses import BABBLE, BIT_NS, MS, networks, plain_networks, releases, run, same, troubles


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Any frame that a bus can carry."""
    extended = draw(st.booleans())
    can_id = draw(st.integers(0, (1 << (29 if extended else 11)) - 1))
    match draw(st.sampled_from(["data", "remote", "fd"])):
        case "remote":
            return Frame(can_id, extended=extended, remote=True, requested=draw(st.integers(0, 8)))
        case "data":
            return Frame(can_id, draw(st.binary(max_size=8)), extended)
        case _:
            length = draw(st.sampled_from([*range(9), 12, 16, 20, 24, 32, 48, 64]))
            byte = st.sampled_from([0, 0xFF, 0x55, 0x1F, 0x83])
            payload = bytes(draw(st.lists(byte, min_size=length, max_size=length)))
            return Frame(can_id, payload, extended, flags=draw(st.sampled_from([1, 3, 5, 7])))


@given(st.lists(frames(), max_size=8))
def test_tables_count_the_bits_that_are_on_the_wire(some: list[Frame]) -> None:
    nominal, data = wire_lengths(as_chunk(some))
    for frame, *columns in zip(some, nominal.tolist(), data.tolist(), strict=True):
        length = wire_length(frame)
        assert list(length) == columns
        # After the check sum: its delimiter, two bits of acknowledgement, seven of the end of frame.
        assert sum(length) == len(wire_bits(frame)) + 10
        fd = bool(frame.flags & 1)
        bounds = (len(frame.payload), frame.extended, fd)
        least = unstuffed_bits(bounds[0], extended=bounds[1], fd=bounds[2])
        assert least <= sum(length) <= worst_case_bits(bounds[0], extended=bounds[1], fd=bounds[2])
        assert "00000" + "0" not in wire_bits(frame)
        assert "11111" + "1" not in wire_bits(frame)


@given(st.lists(frames(), min_size=2, max_size=2))
def test_the_lower_key_is_the_dominant_bit(some: list[Frame]) -> None:
    """Arbitration by number decides as the bits of the arbitration fields do, where they differ."""
    one, other = (header(frame)[: 33 if frame.extended else 14] for frame in some)
    first = next((place for place, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), None)
    keys = [arbitration_key(frame.can_id, extended=frame.extended, remote=frame.remote) for frame in some]
    if first is None:
        assert keys[0] == keys[1]
    else:
        assert (keys[0] < keys[1]) == (one[first] == "0")


@given(st.data(), networks, st.integers(0, 99))
def test_nothing_is_lost_without_a_reason(data: st.DataObject, config: BusConfig, seed: int) -> None:
    released = data.draw(releases(config))
    out, _ = run(config, released, data.draw(troubles(config)), seed)
    ended = Counter(
        (sent.queued_ns, sent.node, sent.frame) for sent in out if sent.outcome is not Outcome.DESTROYED
    )
    own = {key: n for key, n in ended.items() if key[2].payload != BABBLE}
    assert Counter(own) == Counter(release[:3] for release in released)


@given(st.data(), networks, st.integers(0, 99))
def test_frames_on_the_bus_do_not_overlap(data: st.DataObject, config: BusConfig, seed: int) -> None:
    out, _ = run(config, data.draw(releases(config)), data.draw(troubles(config)), seed)
    assert [sent.t_ns for sent in out] == sorted(sent.t_ns for sent in out)
    spans = sorted({(s.start_ns, s.t_ns) for s in out if s.outcome in {Outcome.SENT, Outcome.DESTROYED}})
    for (_, end_ns), (start_ns, _) in pairwise(spans):
        assert start_ns >= end_ns + INTERMISSION * BIT_NS
    busy_ns = sum(end_ns - start_ns for start_ns, end_ns in spans)
    assert not spans or busy_ns <= spans[-1][1] - spans[0][0]


@given(st.data(), networks, st.integers(0, 99))
def test_cuts_change_nothing(data: st.DataObject, config: BusConfig, seed: int) -> None:
    released, disturbances = data.draw(releases(config)), data.draw(troubles(config))
    whole, whole_bus = run(config, released, disturbances, seed)
    bus = HeldBus(config, disturbances, seed)
    out: list[Transmission] = []
    anywhere = st.lists(st.integers(0, 60 * MS), max_size=20)
    ended_ns = {sent.t_ns for sent in whole if sent.outcome is not Outcome.UNSENT}
    behind_each = sorted(t_ns + 1 for t_ns in ended_ns)  # so that nothing is repeated all at once
    edges = sorted(data.draw(st.just(behind_each) | anywhere))
    before = 0
    for edge in [*edges, 200 * MS]:
        bus.submit([release for release in released if before <= release.t_ns < edge])
        piece = bus.advance(edge)
        assert all(sent.t_ns < edge for sent in piece)
        out += piece
        before = edge
    assert out + bus.finish() == whole
    assert bus.changes == whole_bus.changes


@given(st.data(), networks, st.integers(0, 99))
def test_columns_and_single_steps_agree(data: st.DataObject, config: BusConfig, seed: int) -> None:
    released, disturbances = (
        data.draw(releases(config, twins=data.draw(st.booleans()))),
        data.draw(troubles(config)),
    )
    until_ns = data.draw(st.sampled_from([200 * MS, 30 * MS]))
    single, bus = run(config, [r for r in released if r.t_ns < until_ns], disturbances, seed, until_ns)
    sent, changes = transmit(config, traffic_of(released), disturbances, seed, until_ns)
    assert same(sent, columns_of(single))
    heard = heard_of(single)
    for column in ("outcome", "start_ns"):
        assert np.array_equal(getattr(heard, column), getattr(sent, column))
    assert np.array_equal(heard.error, sent.error[:, :2])
    assert transmissions_of(sent) == single
    assert changes == bus.changes
    assert list(simulate_bus(config, released, disturbances, seed, until_ns)) == single


@given(st.data(), networks, st.integers(0, 99))
def test_pieces_of_columns_agree_with_the_whole(data: st.DataObject, config: BusConfig, seed: int) -> None:
    released = data.draw(releases(config, twins=data.draw(st.booleans())))
    disturbances = data.draw(troubles(config))
    until_ns = data.draw(st.sampled_from([None, 200 * MS, 30 * MS]))
    whole, changes = transmit(config, traffic_of(released), disturbances, seed, until_ns)
    bus = BatchBus(config, disturbances, seed, until_ns)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(released)), max_size=6)))
    pieces = [
        bus.take(traffic_of(released[start:stop])) for start, stop in pairwise([0, *cuts, len(released)])
    ]
    assert same(joined([*pieces, bus.finish()]), whole)
    assert bus.changes == changes


@given(st.data(), plain_networks)
def test_the_highest_priority_that_waits_is_sent(data: st.DataObject, config: BusConfig) -> None:
    released = data.draw(releases(config, twins=False))
    out, _ = run(config, released)
    assert {sent.outcome for sent in out} <= {Outcome.SENT}
    assert len(out) == len(released)
    for sent in out:
        waiting = [
            other for other in out if other.queued_ns <= sent.start_ns and other.start_ns > sent.start_ns
        ]
        assert all(key(other.frame) >= key(sent.frame) for other in waiting)


def key(frame: Frame) -> int:
    return arbitration_key(frame.can_id, extended=frame.extended, remote=frame.remote)
