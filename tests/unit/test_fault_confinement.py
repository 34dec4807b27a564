"""Error counters, error passive and bus-off: the rules of ISO 11898-1 on fault confinement, from memory.

A sender counts 8 for an error, a receiver 1; a frame that went well takes 1 off; error passive above 127,
bus-off above 255; back after 128 sequences of 11 recessive bits; suspend transmission is 8 bits.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.hearing import Hearing
from canmap.simulator.buses.network import (
    BusConfig,
    Dominant,
    ErrorKind,
    Node,
    NodeState,
    Outcome,
    Release,
    SupplyLoss,
    Transmission,
    WireFault,
)
from tests.buses import BIT_NS, MS, run

if TYPE_CHECKING:
    from canmap.simulator.buses.held_bus import HeldBus

ALWAYS = 1 << 60
A, B, C = 0, 1, 2
CONFIG = BusConfig("drive", 500_000, (Node("a"), Node("b"), Node("c")))
FRAME = Frame(0x100, b"\x12\x34\x56\x78")


def every(period_ns: int, node: int, frame: Frame, stop_ns: int, start_ns: int = 0) -> list[Release]:
    return [Release(t_ns, node, frame) for t_ns in range(start_ns, stop_ns, period_ns)]


def only(out: list[Transmission], outcome: Outcome) -> list[Transmission]:
    return [one for one in out if one.outcome is outcome]


def test_a_broken_sender_is_passive_at_its_16th_and_off_at_its_32nd_error() -> None:
    out, bus = run(CONFIG, [Release(0, A, FRAME)], [WireFault(0, ALWAYS, node=A)], until_ns=100 * MS)
    destroyed = only(out, Outcome.DESTROYED)
    counts = [one.error.transmit_count for one in destroyed if one.error]
    assert counts == [8 * n for n in range(1, 33)]
    assert [one.attempts for one in destroyed] == list(range(1, 33))
    # Receivers count 1 for each.
    assert [one.error.receive_count for one in destroyed if one.error] == list(range(1, 33))
    states = [(change.state, change.transmit_count) for change in bus.changes if change.node == A]
    assert states == [
        (NodeState.ERROR_PASSIVE, 128),
        (NodeState.BUS_OFF, 256),
        (NodeState.ERROR_ACTIVE, 0),
    ]
    assert [(one.t_ns, one.attempts) for one in only(out, Outcome.BUS_OFF)] == [(destroyed[-1].t_ns, 32)]


@pytest.mark.parametrize("seed", range(8))
def test_attempts_that_are_sure_to_fail_are_the_same_at_once_and_one_by_one(seed: int) -> None:
    """A fault that asks what time it is cannot be sure; others wait with lower and with higher priority."""
    releases = every(6 * MS, A, FRAME, 40 * MS)
    releases += every(4 * MS, B, Frame(0x200, b"\x01"), 40 * MS, 2 * MS + 17 * BIT_NS * seed)
    releases += every(9 * MS, C, Frame(0x080, bytes(8)), 40 * MS, 900_000) * (seed % 2)
    at_once, one_by_one = (
        run(CONFIG, releases, [WireFault(MS, 30 * MS, node=A, when=when)], seed, 50 * MS)
        for when in (None, lambda _: True)
    )
    assert len(only(at_once[0], Outcome.DESTROYED)) > 32
    assert at_once[0] == one_by_one[0]
    assert at_once[1].changes == one_by_one[1].changes


def test_recovery_takes_128_sequences_of_11_recessive_bits_on_a_silent_bus() -> None:
    _, bus = run(CONFIG, [Release(0, A, FRAME)], [WireFault(0, ALWAYS, node=A)], until_ns=100 * MS)
    off_ns, back_ns = (
        next(
            change.t_ns
            for change in bus.changes
            if change.node == A and change.state is state and change.t_ns
        )
        for state in (NodeState.BUS_OFF, NodeState.ERROR_ACTIVE)
    )
    # The 8 bits of the last error delimiter are recessive already.
    assert back_ns - off_ns == (128 * 11 - 8) * BIT_NS


def test_recovery_takes_a_sequence_a_frame_on_a_full_bus() -> None:
    """Between frames that follow each other closely there are 11 recessive bits: 8 and 3."""
    releases = [Release(0, A, FRAME), *[Release(5 * MS, B, Frame(0x200 + n)) for n in range(300)]]
    out, bus = run(CONFIG, releases, [WireFault(0, 8 * MS, node=A)], until_ns=60 * MS)
    off_ns = next(change.t_ns for change in bus.changes if change.state is NodeState.BUS_OFF)
    back_ns = next(c.t_ns for c in bus.changes if c.node == A and c.state is NodeState.ERROR_ACTIVE)
    assert off_ns < 5 * MS < back_ns
    idle = (5 * MS - (off_ns - 8 * BIT_NS)) // (11 * BIT_NS)  # whole sequences before the first frame
    before = [one for one in only(out, Outcome.SENT) if one.start_ns < back_ns]
    assert len(before) == 128 - idle


def test_a_node_that_does_not_recover_loses_what_it_is_given() -> None:
    config = BusConfig("drive", 500_000, (Node("a", recovers=False), Node("b")))
    releases = every(10 * MS, A, FRAME, 100 * MS)
    out, bus = run(config, releases, [WireFault(0, 20 * MS, node=A)])
    assert bus.changes[-1].state is not NodeState.ERROR_ACTIVE or bus.changes[-1].node == B
    assert len(only(out, Outcome.BUS_OFF)) == len(releases)
    assert not only(out, Outcome.SENT)


def test_frames_that_go_well_take_the_counters_down_by_1() -> None:
    """n errors make 8 n; then 8 n frames of the sender, and no fewer, make it 0."""
    fault = WireFault(0, 1_000_000, node=A)
    releases = every(MS, A, FRAME, 150 * MS)
    errors = len(only(run(CONFIG, releases, [fault])[0], Outcome.DESTROYED))
    assert 1 <= errors < 16
    for frames, calm in ((8 * errors - 1, False), (8 * errors, True)):
        out, bus = run(CONFIG, releases[:frames], [fault])
        assert len(only(out, Outcome.SENT)) == frames
        assert bus.calm is calm


def test_receivers_become_passive_and_come_back_below_128() -> None:
    """Noise that hits everybody: b only listens, so it counts 1 an error and turns passive at 128."""
    config = BusConfig("drive", 500_000, (Node("a"), Node("b"), Node("c"), Node("d"), Node("e")))
    # Four senders take turns to be bus-off after 32 errors; each recovers with counters 0.
    releases = [
        Release(t_ns, node, Frame(0x100 + node, b"\x55"))
        for node in (0, 2, 3, 4)
        for t_ns in range(0, 400 * MS, 10 * MS)
    ]
    _, bus = run(config, releases, [WireFault(0, 100 * MS)], until_ns=500 * MS)
    mine = [change for change in bus.changes if change.node == B]
    assert [change.state for change in mine] == [NodeState.ERROR_PASSIVE, NodeState.ERROR_ACTIVE]
    assert mine[0].receive_count == 128
    # The first good frame sets a receive counter above 127 to a value from 119 to 127.
    assert 119 <= mine[1].receive_count <= 127


def test_a_lone_node_stays_passive_for_want_of_an_acknowledgement() -> None:
    config = BusConfig("drive", 500_000, (Node("a"),), acknowledged=False)
    out, bus = run(config, [Release(0, A, FRAME)], until_ns=50 * MS)
    assert {one.error.kind for one in out if one.error} == {ErrorKind.ACKNOWLEDGE}
    assert [(change.state, change.transmit_count) for change in bus.changes] == [
        (NodeState.ERROR_PASSIVE, 128)
    ]
    assert len(only(out, Outcome.DESTROYED)) > 32
    assert [one.attempts > 100 for one in only(out, Outcome.UNSENT)] == [True]
    heard = BusConfig("drive", 500_000, (Node("a"),), acknowledged=True)
    assert [one.outcome for one in run(heard, [Release(0, A, FRAME)])[0]] == [Outcome.SENT]


def test_a_node_left_alone_by_a_supply_loss_finds_no_echo() -> None:
    config = BusConfig("drive", 500_000, (Node("a"), Node("b")), acknowledged=False)
    out, _ = run(config, [Release(5 * MS, A, FRAME)], [SupplyLoss(0, 20 * MS, B)])
    sent = only(out, Outcome.SENT)
    assert len(sent) == 1
    assert sent[0].t_ns > 20 * MS


def test_a_passive_sender_lets_8_more_bits_pass() -> None:
    out, _ = run(CONFIG, [Release(0, A, FRAME)], [WireFault(0, ALWAYS, node=A)], until_ns=100 * MS)
    destroyed = only(out, Outcome.DESTROYED)
    gaps = [(b.start_ns - a.t_ns) // BIT_NS for a, b in pairwise(destroyed)]
    assert gaps == [3] * 15 + [3 + 8] * 16


def test_a_passive_sender_is_overtaken_by_a_lower_priority() -> None:
    releases = [Release(0, A, FRAME), Release(0, B, Frame(0x700))]
    out, _ = run(CONFIG, releases, [WireFault(0, ALWAYS, node=A)], until_ns=100 * MS)
    order = [one.node for one in out if one.outcome in {Outcome.SENT, Outcome.DESTROYED}]
    assert order[:18] == [A] * 16 + [B, A]


def test_error_frames_take_a_flag_and_a_delimiter() -> None:
    """6 bits of flag (12 where one node's flag sets off those of the others) and 8 of delimiter."""
    out, _ = run(CONFIG, [Release(0, A, FRAME)], [WireFault(0, 200_000, node=A)])
    for one in only(out, Outcome.DESTROYED):
        assert one.error is not None
        assert (one.t_ns - one.start_ns) // BIT_NS == one.error.bit + 1 + 12 + 8


def test_a_node_without_supply_loses_its_queue_and_starts_afresh() -> None:
    releases = every(MS, A, FRAME, 40 * MS)
    out, bus = run(CONFIG, releases, [WireFault(9 * MS, 9_400_000, node=A), SupplyLoss(10 * MS, 20 * MS, A)])
    lost = only(out, Outcome.NODE_OFF)
    assert [one.queued_ns for one in lost] == list(range(10 * MS, 20 * MS, MS))
    states = [(c.t_ns, c.state, c.transmit_count) for c in bus.changes if c.node == A]
    assert states[-2:] == [(10 * MS, NodeState.UNPOWERED, 0), (20 * MS, NodeState.ERROR_ACTIVE, 0)]


def states_of(bus: HeldBus, node: int) -> list[tuple[int, NodeState]]:
    return [(change.t_ns, change.state) for change in bus.changes if change.node == node]


@pytest.mark.parametrize("wait_ms", [50, 1000])
def test_a_slow_program_waits_and_then_its_controller_counts(wait_ms: int) -> None:
    """128 sequences of 11 recessive bits come on top of what the program waits."""
    config = BusConfig("drive", 500_000, (Node("a", recovery_ns=wait_ms * MS), Node("b")))
    releases = [Release(0, A, FRAME), Release(2 * wait_ms * MS, A, FRAME)]
    out, bus = run(config, releases, [WireFault(0, 40 * MS, node=A)], until_ns=3000 * MS)
    (_, passive), (off_ns, off), (back_ns, back) = states_of(bus, A)
    assert (passive, off, back) == (NodeState.ERROR_PASSIVE, NodeState.BUS_OFF, NodeState.ERROR_ACTIVE)
    assert back_ns - off_ns == wait_ms * MS + 128 * 11 * BIT_NS
    assert [one.queued_ns for one in only(out, Outcome.SENT)] == [2 * wait_ms * MS]


def test_a_program_that_waits_is_forgotten_with_its_supply() -> None:
    """Off and on in between: the node is there again at once, and what it had asked for means nothing."""
    config = BusConfig("drive", 500_000, (Node("a", recovery_ns=50 * MS), Node("b")))
    faults = [
        WireFault(0, 20 * MS, node=A),
        SupplyLoss(20 * MS, 30 * MS, A),
        WireFault(35 * MS, 60 * MS, node=A),
    ]
    out, bus = run(config, every(5 * MS, A, FRAME, 150 * MS), faults, until_ns=200 * MS)
    states = [state for _, state in states_of(bus, A) if state is not NodeState.ERROR_PASSIVE]
    assert states == [
        NodeState.BUS_OFF,
        NodeState.UNPOWERED,
        NodeState.ERROR_ACTIVE,
        NodeState.BUS_OFF,
        NodeState.ERROR_ACTIVE,
    ]
    second_ns = next(
        t_ns for t_ns, state in states_of(bus, A) if state is NodeState.BUS_OFF and t_ns > 30 * MS
    )
    back_ns = states_of(bus, A)[-1][0]
    waited = back_ns - second_ns - 50 * MS
    assert 128 * 11 * BIT_NS <= waited < 128 * 11 * BIT_NS + 2 * MS
    assert only(out, Outcome.SENT)[-1].t_ns > back_ns


def test_a_node_that_is_bus_off_receives_nothing() -> None:
    """Bus-off is off the bus (ISO 11898-1, from memory): no receiving, no acknowledging, no counting."""
    fault = WireFault(0, 8 * MS, node=A)
    releases = [Release(0, A, FRAME), *every(MS, B, Frame(0x200), 60 * MS)]
    out, bus = run(CONFIG, releases, [fault])
    off_ns, back_ns = (
        next(t_ns for t_ns, state in states_of(bus, A) if state is wanted)
        for wanted in (NodeState.BUS_OFF, NodeState.ERROR_ACTIVE)
    )
    hearing = Hearing(bus)
    heard = [hearing.hears(A, one.t_ns) for one in only(out, Outcome.SENT)]
    assert heard == [not off_ns <= one.t_ns < back_ns for one in only(out, Outcome.SENT)]
    assert {True, False} == set(heard)


def test_a_fault_may_strike_at_times_and_make_deaf() -> None:
    fault = WireFault(0, 60 * MS, node=A, when=lambda t_ns: t_ns // MS % 20 == 0, deaf=True)
    releases = every(2 * MS, A, FRAME, 60 * MS)
    out, bus = run(CONFIG, releases, [fault])
    struck = {one.start_ns // MS for one in only(out, Outcome.DESTROYED)}
    assert struck == {0, 20, 40}
    hearing = Hearing(bus, [fault])
    assert [hearing.hears(A, t_ns * MS) for t_ns in (0, 1, 20, 21)] == [False, True, False, True]
    assert hearing.hears(B, 40 * MS)


def test_a_node_that_misreads_destroys_frames_until_it_is_passive() -> None:
    """It alone sees an error and flags it, and counts 8 for each: 16 of them make 128."""
    fault = WireFault(0, ALWAYS, flagged_by=C)
    releases = every(MS, A, FRAME, 60 * MS)
    out, bus = run(CONFIG, releases, [fault])
    assert len(only(out, Outcome.DESTROYED)) == 16
    assert len(only(out, Outcome.SENT)) == len(releases)
    assert [state for _, state in states_of(bus, C)] == [NodeState.ERROR_PASSIVE]  # no frame is good to it


def test_who_sends_on_a_bus_that_is_held_is_bus_off_and_the_rest_is_passive() -> None:
    """ISO 11898-1, from memory: 8 for every 8 dominant bits; back after 128 x 11 recessive bits."""
    config = BusConfig("drive", 500_000, (Node("a", replaces=True), Node("b", replaces=True)))
    sends = Release(0, 0, Frame(0x100, bytes(8)))
    waits = [Release(t_ns, 1, Frame(0x101, bytes([t_ns // MS]))) for t_ns in (2 * MS, 4 * MS)]
    again = Release(6 * MS, 0, Frame(0x100, bytes(8)))
    out, bus = run(config, [sends, *waits, again], [Dominant(100_000, 10 * MS)])
    cut = out[0]
    assert (cut.t_ns, cut.outcome) == (100_000, Outcome.DESTROYED)
    assert cut.error is not None
    assert cut.error.kind is ErrorKind.STUFF
    states = [(change.node, change.state) for change in bus.changes]
    assert states[:2] == [(0, NodeState.BUS_OFF), (1, NodeState.ERROR_PASSIVE)]
    assert bus.changes[0].t_ns < 100_000 + MS
    assert (bus.changes[-1].node, bus.changes[-1].state) == (0, NodeState.ERROR_ACTIVE)
    back_ns = bus.changes[-1].t_ns - 10 * MS
    assert 128 * 11 * BIT_NS <= back_ns < 128 * 11 * BIT_NS + 200 * BIT_NS
    (only,) = [one for one in out if one.outcome is Outcome.SENT]
    assert (only.node, only.frame.payload[0], only.start_ns) == (1, 4, 10 * MS + 11 * BIT_NS)


def test_a_bus_that_is_held_while_nobody_sends_tells_one_error() -> None:
    config = BusConfig("drive", 500_000, (Node("a"), Node("b")))
    out, bus = run(config, [Release(5 * MS, 0, Frame(0x100))], [Dominant(MS, 4 * MS)])
    assert [one.outcome for one in out] == [Outcome.DESTROYED, Outcome.SENT]
    assert out[0].t_ns == MS
    assert {change.state for change in bus.changes} >= {NodeState.ERROR_PASSIVE}
    assert NodeState.BUS_OFF not in {change.state for change in bus.changes}
