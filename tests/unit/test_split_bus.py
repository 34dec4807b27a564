"""A bus with a break in its line: who is recorded, who hears whom, and what waits until it is whole again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from canmap.simulator.buses.frame import Frame
from canmap.simulator.buses.network import BusConfig, Node, Outcome, Release
from canmap.simulator.buses.split_bus import Split, SplitBus
from tests.buses import MS, releases, run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canmap.simulator.buses.network import Transmission

A, B, C, D = range(4)
CONFIG = BusConfig("drive", 500_000, tuple(Node(name, replaces=True) for name in "abcd"))


def stepped(
    bus: SplitBus, released: Sequence[Release], edges: Sequence[int]
) -> tuple[list[Transmission], list[Transmission]]:
    """Return what was sent on this side and beyond, the bus being asked step by step."""
    here: list[Transmission] = []
    beyond: list[Transmission] = []
    before = 0
    for edge in edges:
        bus.submit([release for release in released if before <= release.t_ns < edge])
        beyond += bus.heard_beyond(edge)
        here += bus.advance(edge)
        before = edge
    return here, beyond


def everybody() -> list[Release]:
    return [Release(t_ns, node, Frame(0x100 + node)) for t_ns in range(0, 30 * MS, MS) for node in range(4)]


def times_of(sent: list[Transmission], node: int) -> list[int]:
    return [one.queued_ns // MS for one in sent if one.node == node and one.outcome is Outcome.SENT]


def test_each_side_of_a_break_hears_itself() -> None:
    released = everybody()
    bus = SplitBus(CONFIG, splits=[Split(10 * MS, 20 * MS, frozenset({C, D}))])
    here, beyond = stepped(bus, released, range(MS, 41 * MS, MS))
    whole = list(range(30))
    assert times_of(here, A) == times_of(here, B) == whole
    assert times_of(here, C) == [*range(10), *range(20, 30)]
    assert times_of(beyond, C) == times_of(beyond, D) == list(range(10, 20))
    inside = next(one for one in beyond if one.node == C and one.t_ns > 12 * MS)
    assert [bus.hears(node, inside) for node in (A, B, D)] == [False, False, True]
    outside = next(one for one in here if one.node == A and one.t_ns > 12 * MS)
    assert [bus.hears(node, outside) for node in (B, C, D)] == [True, False, False]


def test_a_lone_node_finds_no_acknowledgement_and_sends_its_newest_once_the_line_is_whole() -> None:
    """It repeats, is error passive by its 16th failure, and is never bus-off (ISO 11898-1, from memory)."""
    released = [Release(t_ns, D, Frame(0x103, bytes([t_ns // MS]))) for t_ns in range(0, 30 * MS, 3 * MS)]
    bus = SplitBus(CONFIG, splits=[Split(10 * MS, 20 * MS, frozenset({D}))])
    here, beyond = stepped(bus, released, range(MS, 41 * MS, MS))
    assert times_of(beyond, D) == []
    errors = [one.error for one in beyond if one.error is not None]
    assert max(error.transmit_count for error in errors) == 128
    assert len(errors) > 32
    told = [one.frame.payload[0] for one in here if one.outcome is Outcome.SENT]
    assert told == [0, 3, 6, 9, 18, 21, 24, 27]  # 12 and 15 were replaced by 18
    assert next(one.start_ns for one in here if one.queued_ns == 20 * MS) == 20 * MS


def test_a_short_lets_nothing_through() -> None:
    released = everybody()
    bus = SplitBus(CONFIG, splits=[Split(10 * MS, 20 * MS, None, linked=False)])
    here, beyond = stepped(bus, released, range(MS, 41 * MS, MS))
    assert beyond == []
    assert [times_of(here, node) for node in range(4)] == [[*range(10), *range(20, 30)]] * 4


@given(st.data(), st.integers(0, 9))
def test_without_a_break_it_is_the_plain_bus_and_steps_change_nothing(data: st.DataObject, seed: int) -> None:
    released = data.draw(releases(CONFIG))
    edges = sorted(data.draw(st.lists(st.integers(0, 60 * MS), max_size=8)))
    whole, _ = run(CONFIG, released, until_ns=200 * MS)
    here, _ = stepped(SplitBus(CONFIG, seed=seed), released, [*edges, 200 * MS])
    assert here == whole
    split = Split(data.draw(st.integers(0, 20 * MS)), 30 * MS, frozenset({B, C}))
    once = stepped(SplitBus(CONFIG, splits=[split], seed=seed), released, [200 * MS])
    assert stepped(SplitBus(CONFIG, splits=[split], seed=seed), released, [*edges, 200 * MS]) == once
