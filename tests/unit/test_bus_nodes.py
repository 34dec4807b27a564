"""Queues and mailboxes of a node, babblers, and two senders of one identifier, worked by hand."""

from __future__ import annotations

from itertools import pairwise

import pytest

from canmap.base.errors import UsageError
from canmap.frames.chunks import FLAG_FD
from canmap.simulator.buses.batch import BatchBus, transmit
from canmap.simulator.buses.bus_stream import simulate_bus
from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.frame_bits import wire_length
from canmap.simulator.buses.held_bus import HeldBus
from canmap.simulator.buses.network import (
    Babble,
    BusConfig,
    ErrorKind,
    Node,
    NodeState,
    Outcome,
    Queue,
    Release,
    SupplyLoss,
)
from canmap.simulator.buses.traffic import traffic_of
from tests.buses import BIT_NS, MS, run

HIGH, MIDDLE, LOW = Frame(0x10), Frame(0x200), Frame(0x700)


def bus_of(*nodes: Node) -> BusConfig:
    return BusConfig("drive", 500_000, nodes)


def order(config: BusConfig, *frames: tuple[int, Frame]) -> list[int]:
    """Return the identifiers in the order in which they are sent when all are released at once."""
    out, _ = run(config, [Release(0, node, frame) for node, frame in frames])
    return [one.frame.can_id for one in out if one.outcome is Outcome.SENT]


def test_one_frame_takes_its_bits() -> None:
    out, _ = run(bus_of(Node("a")), [Release(7, 0, LOW), Release(8, 0, HIGH)])
    low, high = (wire_length(frame).nominal * BIT_NS for frame in (LOW, HIGH))
    assert [(one.start_ns, one.t_ns) for one in out] == [
        (7, 7 + low),
        (7 + low + 3 * BIT_NS, 7 + low + 3 * BIT_NS + high),
    ]


def test_a_fifo_lets_a_low_frame_hold_up_a_high_one() -> None:
    fifo = bus_of(Node("a", Queue.FIFO, mailboxes=1), Node("b"))
    assert order(fifo, (0, LOW), (0, HIGH), (1, MIDDLE)) == [0x200, 0x700, 0x10]
    assert order(bus_of(Node("a"), Node("b")), (0, LOW), (0, HIGH), (1, MIDDLE)) == [0x10, 0x200, 0x700]


def test_a_loaded_mailbox_is_not_taken_back() -> None:
    """The low frame has the only mailbox; behind it the queue is sorted."""
    one = bus_of(Node("a", Queue.PRIORITY, mailboxes=1))
    assert order(one, (0, LOW), (0, MIDDLE), (0, HIGH)) == [0x700, 0x10, 0x200]
    two = bus_of(Node("a", Queue.PRIORITY, mailboxes=2))
    assert order(two, (0, LOW), (0, MIDDLE), (0, HIGH)) == [0x200, 0x10, 0x700]


def test_a_full_queue_drops_the_newest() -> None:
    config = bus_of(Node("a", capacity=2))
    releases = [Release(t_ns, 0, frame) for t_ns, frame in enumerate((LOW, MIDDLE, HIGH, Frame(0x1)))]
    out, _ = run(config, releases)
    ended = {one.frame.can_id: (one.outcome, one.t_ns) for one in out}
    assert ended[0x10] == (Outcome.QUEUE_FULL, 2)
    assert ended[0x1] == (Outcome.QUEUE_FULL, 3)
    assert {ended[0x700][0], ended[0x200][0]} == {Outcome.SENT}


@pytest.mark.parametrize("mailboxes", [None, 1])
def test_a_newer_frame_takes_the_place_of_a_waiting_one(mailboxes: int | None) -> None:
    config = bus_of(Node("a", mailboxes=mailboxes, replaces=True), Node("b"))
    long = Frame(0x1, bytes(8))
    releases = [Release(0, 1, long), *[Release(n, 0, Frame(0x20, bytes([n]))) for n in (1, 2, 3)]]
    out, _ = run(config, releases)
    mine = [(one.frame.payload[0], one.outcome, one.t_ns) for one in out if one.node == 0]
    assert mine[:2] == [(1, Outcome.REPLACED, 2), (2, Outcome.REPLACED, 3)]
    assert mine[2][:2] == (3, Outcome.SENT)
    assert len(mine) == 3


def test_what_is_being_sent_is_not_replaced() -> None:
    config = bus_of(Node("a", replaces=True))
    out, _ = run(config, [Release(0, 0, Frame(0x20, b"a")), Release(10, 0, Frame(0x20, b"b"))])
    assert [one.outcome for one in out] == [Outcome.SENT, Outcome.SENT]


def test_a_babbler_starves_what_is_lower_and_nothing_else() -> None:
    config = bus_of(Node("a"), Node("b"), Node("c"))
    babble = Babble(10 * MS, 30 * MS, 2, Frame(0x100, bytes(8)))
    releases = [
        Release(t_ns, node, frame)
        for node, frame in ((0, HIGH), (1, LOW))
        for t_ns in range(MS // 2, 50 * MS, MS)
    ]
    out, _ = run(config, releases, [babble])
    low = [one.t_ns for one in out if one.node == 1]
    assert [t_ns for t_ns in low if 11 * MS < t_ns < 30 * MS] == []
    longest_ns = max(one.t_ns - one.queued_ns for one in out if one.node == 0)
    # At worst one frame of the babbler stands before, then the own one.
    assert longest_ns <= (wire_length(babble.frame).nominal + 3 + wire_length(HIGH).nominal) * BIT_NS
    gaps = [one.start_ns for one in out if one.node == 2]
    assert len(gaps) > 50
    assert len(low) == 50


@pytest.mark.parametrize("gap_ns", [0, 3 * BIT_NS, 4 * BIT_NS, MS])
@pytest.mark.parametrize("plain", [True, False])
def test_a_babbler_is_as_step_by_step(gap_ns: int, plain: bool) -> None:
    """What it sends all at once is what it sends where the run is cut behind every frame."""
    node = Node("c") if plain else Node("c", mailboxes=2, replaces=True)
    config = bus_of(Node("a"), Node("b", mailboxes=1, replaces=True), node)
    frames = [Frame(0x10), Frame(0x201, b"1"), Frame(0x200, bytes(8)), Frame(0x700)]
    moments = [*range(MS, 30 * MS, 1_700_000), *range(2 * MS, 30 * MS, 2_300_000)]
    releases = [Release(t_ns, n % 3, frames[n % 4]) for n, t_ns in enumerate(sorted(moments))]
    troubles = [
        Babble(5 * MS, 25 * MS, 2, Frame(0x200, bytes(8)), gap_ns),
        Babble(20 * MS, 22 * MS, 1, Frame(0x100)),
        SupplyLoss(12 * MS + 1, 14 * MS, 2),
        SupplyLoss(12 * MS + 2, 13 * MS, 0),
    ]
    whole, _ = run(config, releases, troubles)
    bus, pieces = HeldBus(config, troubles), []
    bus.submit(releases)
    for edge_ns in sorted({sent.t_ns + 1 for sent in whole}):
        pieces += bus.advance(edge_ns)
    assert pieces == [sent for sent in whole if sent.outcome is not Outcome.UNSENT]
    assert sum(sent.node == 2 for sent in whole) > 20


def test_a_babbler_pauses_for_its_gap_and_while_it_has_no_supply() -> None:
    config = bus_of(Node("a"), Node("b"))
    babble = Babble(0, 40 * MS, 0, HIGH, gap_ns=MS)
    out, _ = run(config, [], [babble, SupplyLoss(10 * MS, 20 * MS, 0)])
    sent = [one for one in out if one.outcome is Outcome.SENT]
    assert {b.start_ns - a.t_ns for a, b in pairwise(sent[:6])} == {MS}
    assert not [one for one in sent if 11 * MS < one.t_ns < 20 * MS]
    assert [one for one in sent if 21 * MS < one.t_ns < 40 * MS]


def test_equal_frames_of_two_nodes_are_one_frame() -> None:
    out, bus = run(bus_of(Node("a"), Node("b")), [Release(0, 0, HIGH), Release(0, 1, HIGH)])
    assert sorted(one.outcome for one in out) == [Outcome.SENT, Outcome.SHARED]
    assert len({one.t_ns for one in out}) == 1
    assert bus.calm


def test_two_senders_of_one_identifier_destroy_each_other_until_both_are_passive() -> None:
    """16 times 8 makes 128; a passive node's error flag is recessive: then the dominant one gets through."""
    config = bus_of(Node("a"), Node("b"), Node("c"))
    dominant, recessive = Frame(0x10, b"\x00"), Frame(0x10, b"\x80")
    out, bus = run(config, [Release(0, 0, recessive), Release(0, 1, dominant)])
    together = [one for one in out if one.outcome is Outcome.DESTROYED]
    assert [one.node for one in together if one.node == 1] == [1] * 16
    assert [one.node for one in together if one.node == 0] == [0] * 17
    assert {one.error.kind for one in together if one.error} == {ErrorKind.BIT}
    # The first data bit: 1 + 11 + 3 + 4 bits of header; 0x10 with length 1 brings 3 stuff bits before it
    # (0 0000 s 001 0000 0 s 00 000 s 1, the remote bit being the last of the second five).
    assert {one.error.bit for one in together if one.error} == {19 + 3}
    sent = [one for one in out if one.outcome is Outcome.SENT]
    assert [one.node for one in sent] == [1, 0]
    assert [(c.node, c.transmit_count) for c in bus.changes if c.state is NodeState.ERROR_PASSIVE] == [
        (0, 128),
        (1, 128),
    ]


def test_the_bus_refuses_what_it_cannot_carry() -> None:
    bus = HeldBus(bus_of(Node("a")))
    bus.advance(MS)
    with pytest.raises(UsageError, match="comes after the bus was simulated"):
        bus.submit([Release(0, 0, HIGH)])
    with pytest.raises(UsageError, match="nodes 0 to 0, and a release names 1"):
        bus.submit([Release(MS, 1, HIGH)])
    with pytest.raises(UsageError, match="nodes 0 to 0, and a disturbance names 3"):
        HeldBus(bus_of(Node("a")), [SupplyLoss(0, 1, 3)])
    with pytest.raises(UsageError, match="nodes 0 to 0, and a release names 2"):
        transmit(bus_of(Node("a")), traffic_of([Release(0, 2, HIGH)]))
    batch = BatchBus(bus_of(Node("a")))
    batch.take(traffic_of([Release(MS, 0, HIGH)]))
    with pytest.raises(UsageError, match="a release at 5 ns comes after one at 1000000 ns"):
        batch.take(traffic_of([Release(5, 0, HIGH)]))
    for frame, reason in (
        (Frame(0x800), "needs more than 11 bits"),
        (Frame(0x1, bytes(9)), "9 payload bytes are not possible"),
        (Frame(0x1, bytes(12), remote=True, flags=FLAG_FD), "a remote frame is classic"),
    ):
        with pytest.raises(UsageError, match=reason):
            list(simulate_bus(bus_of(Node("a")), [Release(0, 0, frame)]))
    with pytest.raises(UsageError, match="a bit rate must be positive"):
        BusConfig("drive", 0, ())


def test_data_beat_remote_and_standard_beats_extended() -> None:
    """Of one upper identifier: RTR, then IDE decide (ISO 11898-1, from memory)."""
    config = bus_of(*[Node(str(n)) for n in range(4)])
    frames = [
        Frame(0x123),
        Frame(0x123, remote=True),
        Frame(0x123 << 18, extended=True),
        Frame(0x123 << 18, extended=True, remote=True),
    ]
    released = [Release(0, node, frames[node]) for node in (3, 1, 0, 2)]
    assert [one.node for one in run(config, released)[0]] == [0, 1, 2, 3]
    assert transmit(config, traffic_of(released))[0].node.tolist() == [0, 1, 2, 3]


def test_a_frame_released_as_the_bus_gets_free_takes_part() -> None:
    config = bus_of(Node("a"), Node("b"))
    free_ns = (wire_length(MIDDLE).nominal + 3) * BIT_NS
    for late_ns, order_sent in ((0, [0x200, 0x10, 0x700]), (1, [0x200, 0x700, 0x10])):
        released = [Release(0, 0, MIDDLE), Release(1, 0, LOW), Release(free_ns + late_ns, 1, HIGH)]
        assert [one.frame.can_id for one in run(config, released)[0]] == order_sent
        assert transmit(config, traffic_of(released))[0].frames.can_id.tolist() == order_sent
