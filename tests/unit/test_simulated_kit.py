"""The kit's state machine, step by step, and its e-stop chain. The times are those of the cart's manual."""

from __future__ import annotations

import numpy as np
import pytest

from canmap.simulator.cart.kit import (
    HOMING_NS,
    MS,
    SELF_TEST_NS,
    STEERING,
    WATCHDOG_NS,
    Axis,
    Override,
    Reason,
    StopChain,
)
from canmap.simulator.cart.orchard_cart import ORCHARD_CART
from canmap.simulator.cart.payloads import Layout
from canmap.vocabulary.record_types import AxisState
from tests.streams import spec_of

LAYOUT = next(
    Layout(each, ORCHARD_CART.data_ids["SteerCommand"])
    for each in spec_of().buses["drive"].description.messages
    if each.name == "SteerCommand"
)
READY_NS = SELF_TEST_NS + HOMING_NS


class Bench:
    """An axis on the bench, and demands for it."""

    def __init__(self) -> None:
        self.axis = Axis(STEERING, LAYOUT)
        self.count = 0
        self.t_ns = 0

    def until(self, t_ns: int) -> None:
        while self.t_ns < t_ns:
            self.t_ns += 10 * MS
            self.axis.step(self.t_ns)

    def demand(self, enable: bool, angle: float = 0.0, count: int | None = None, broken: int = 0) -> None:
        self.count += 1
        values = {"Angle": angle, "Enable": float(enable)}
        payload = LAYOUT.pack(values, np.array([self.count if count is None else count]), broken)
        self.axis.receive(payload[0].tobytes(), self.t_ns)

    @property
    def now(self) -> tuple[AxisState, Reason]:
        return self.axis.state, self.axis.reason


@pytest.fixture
def bench() -> Bench:
    """An axis that is ready."""
    made = Bench()
    made.axis.power(True, 0)
    made.until(READY_NS)
    made.axis.step(made.t_ns)
    return made


def test_it_starts_by_itself_and_waits() -> None:
    bench = Bench()
    bench.demand(True)
    assert bench.now == (AxisState.OFF, Reason.STARTING)  # without supply nothing is heard
    bench.axis.power(True, 0)
    bench.until(SELF_TEST_NS - 10 * MS)
    assert bench.axis.state is AxisState.OFF
    bench.until(SELF_TEST_NS + 10 * MS)
    assert bench.now == (AxisState.STANDBY, Reason.STARTING)
    bench.until(READY_NS + 10 * MS)
    assert bench.now == (AxisState.READY, Reason.NONE)
    bench.axis.power(False, bench.t_ns)
    assert bench.axis.state is AxisState.OFF


def test_only_an_edge_enables(bench: Bench) -> None:
    bench.demand(False)
    bench.demand(True, 12.3)
    assert bench.now == (AxisState.ACTIVE, Reason.NONE)
    assert bench.axis.demand == pytest.approx(12.3)
    bench.demand(False)
    assert bench.now == (AxisState.READY, Reason.NONE)


def test_an_edge_counts_only_when_ready_and_allowed(bench: Bench) -> None:
    early = Bench()
    early.axis.power(True, 0)
    early.demand(True)
    early.until(READY_NS + 10 * MS)
    early.demand(True)
    assert early.now == (AxisState.READY, Reason.NO_EDGE)
    bench.axis.allowed = False
    bench.demand(True)
    assert bench.now == (AxisState.READY, Reason.NOT_ALLOWED)
    bench.axis.allowed = True
    bench.demand(True)
    assert bench.axis.state is AxisState.READY  # the edge is over


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"broken": 1}, Reason.CHECKSUM_WRONG),
        ({"count": 1}, Reason.COUNTER_WRONG),
        ({"angle": 600.0}, Reason.DEMAND_RANGE),
    ],
)
def test_what_is_wrong_enables_nothing_and_feeds_no_watchdog(
    bench: Bench, wrong: dict, reason: Reason
) -> None:
    bench.demand(False, count=1)
    bench.demand(**{"enable": True, "count": 2, **wrong})
    assert bench.now == (AxisState.READY, reason)
    bench.count = 2
    bench.demand(True)
    assert bench.axis.state is AxisState.ACTIVE
    began_ns = bench.t_ns
    for _ in range(40):
        bench.until(bench.t_ns + 10 * MS)
        bench.demand(**{"enable": True, **wrong, **({"count": 3} if "count" in wrong else {})})
        if bench.axis.state is not AxisState.ACTIVE:
            break
    assert bench.now == (AxisState.READY, Reason.DEMAND_LOST)
    assert bench.axis.lost
    assert WATCHDOG_NS < bench.t_ns - began_ns <= WATCHDOG_NS + 20 * MS
    bench.demand(True, count=bench.count + 1)
    assert bench.axis.state is AxisState.READY  # an edge is needed


def test_lost_frames_are_forgiven_up_to_two(bench: Bench) -> None:
    bench.demand(False, count=13)
    bench.demand(True, count=16)
    assert bench.axis.state is AxisState.ACTIVE
    bench.demand(False, count=20)
    assert bench.axis.state is AxisState.ACTIVE  # three were lost: not taken
    bench.axis.receive(bytes(4), bench.t_ns)
    assert bench.axis.state is AxisState.ACTIVE


def test_override_and_fault_stay(bench: Bench) -> None:
    bench.demand(True)
    bench.axis.override(bench.t_ns)
    bench.demand(True)
    assert bench.now == (AxisState.OVERRIDDEN, Reason.DRIVER_OVERRIDE)
    bench.demand(False)
    bench.demand(True)
    assert bench.axis.state is AxisState.ACTIVE
    bench.axis.fault = True
    bench.until(bench.t_ns + 10 * MS)
    bench.demand(False)
    assert bench.now == (AxisState.FAULTED, Reason.INTERNAL_FAULT)
    bench.axis.reset(bench.t_ns)
    assert bench.axis.state is AxisState.STANDBY
    bench.until(bench.t_ns + HOMING_NS + 10 * MS)
    assert bench.axis.state is AxisState.READY
    assert [event.reason for event in bench.axis.events] == [Reason.DRIVER_OVERRIDE, Reason.INTERNAL_FAULT]


def test_an_override_takes_its_time() -> None:
    override = Override(4.0)
    assert not any(override.step(-4.5, t_ns) for t_ns in range(0, 101 * MS, 10 * MS))
    assert override.step(-4.5, 110 * MS)
    assert not override.step(3.9, 120 * MS)
    assert not override.step(4.5, 130 * MS)


def test_the_stop_chain_opens_at_once_and_closes_by_hand() -> None:
    chain = StopChain()
    chain.step(0)
    assert not chain.supply
    chain.switch(True)
    chain.step(10 * MS)
    assert chain.supply
    chain.pressed = True
    chain.step(20 * MS)
    assert (chain.loop_closed, chain.supply) == (False, True)
    chain.step(30 * MS)
    assert not chain.supply  # the relay takes 20 ms
    chain.reset()
    chain.step(40 * MS)
    assert not chain.supply
    chain.pressed = False
    chain.step(50 * MS)
    assert (chain.loop_closed, chain.supply) == (True, False)
    chain.reset()
    chain.step(60 * MS)
    assert chain.supply


def test_a_lost_link_is_noticed_after_half_a_second() -> None:
    chain = StopChain()
    chain.switch(True)
    chain.step(0)
    chain.link = False
    chain.step(500 * MS)
    assert not chain.link_lost
    chain.step(510 * MS)
    assert (chain.link_lost, chain.loop_closed) == (True, False)
