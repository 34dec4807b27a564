"""Faults of the drive bus and of foreign nodes do on it what their truth says: frames are looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.frames.chunks import FrameKind
from canmap.simulator.cart.kit import Reason
from canmap.simulator.cart.orchard_cart import ORCHARD_CART
from canmap.vocabulary.record_types import AxisState
from tests.simulated import run_of
from tests.streams import CART

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulated import Heard, Run

STEERING, BRAKE = ("SteerFeedback", "SteerDiagnostics"), ("BrakeFeedback",)
REST = ("DriveFeedback", "PedalState", "WheelSpeeds", "KitState", "SteerCommand")
# Enabled from 1.3 s on, at speed at 2.6 s; faults begin at 1.8 s.
TRIP = f"""
scenario: A short trip
spec: {CART}
duration: 2.9 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.1 s, driver: shift, gear: forward}}
  - {{at: 1.3 s, computer: enable}}
  - {{at: 1.3 s, computer: drive, speed: 5 km/h}}
  - {{at: 1.3 s, computer: turn, angle: 60 deg, rate: 90 deg/s}}
"""


@pytest.fixture
def faulty(tmp_path: Path):
    """Runs the drive with one fault; the words in braces are its parameters."""

    def run(kind: str, parameters: str, seed: int | None = None) -> Run:
        told = run_of(tmp_path, TRIP, f"{{kind: {kind}, {parameters}}}", seed)
        assert told.fault["kind"] == kind
        assert told.fault["cause"].endswith(".")
        return told

    return run


def errors_s(run: Run) -> np.ndarray:
    """When the recorder wrote error frames, in seconds."""
    return run.times(np.flatnonzero(run.chunk.kind == FrameKind.ERROR))


def longest_gap_s(heard: Heard) -> float:
    return float(np.diff(heard.t_s).max())


def state_at(heard: Heard, t_s: float) -> tuple[float, float]:
    place = np.searchsorted(heard.t_s, t_s)
    return heard["State"][place], heard["Reason"][place]


def missing(counter: np.ndarray) -> int:
    return int(((np.diff(counter) - 1) % 15).sum())


def test_behind_a_plug_is_what_is_farther_from_the_recorder() -> None:
    behind, plugs = ORCHARD_CART.behind, ORCHARD_CART.plugs
    assert behind("BrakeNode") == ("BrakeNode", "SteerNode")
    assert behind("VehicleNode") == ("VehicleNode", "DriveNode")
    assert {name for plug in plugs for name in behind(plug)} == set(ORCHARD_CART.nodes) - {"Computer"}


def test_a_node_comes_back_from_bus_off_when_its_program_lets_it(faulty) -> None:
    run = faulty("slow_recovery", "node: SteerNode, delay: 200 ms, at: 1.8 s, for: 15 ms")
    errors, steering = errors_s(run), run.heard("SteerFeedback")
    assert len(errors) == 32  # 8 for each, and its count is 256
    place = np.searchsorted(steering.t_s, 1.82)
    silent_s = steering.t_s[place] - steering.t_s[place - 1]
    least_s = 0.2 + 128 * 11 * 2e-6
    assert least_s < steering.t_s[place] - errors[-1] < least_s + 0.011
    # Its timer and its counter went on; it got no demand for longer than the watchdog's 120 ms, and let go.
    assert missing(steering["Counter"]) == (round(silent_s * 100) - 1) % 15
    assert state_at(steering, steering.t_s[place]) == (AxisState.READY, Reason.DEMAND_LOST)
    assert longest_gap_s(run.heard("SteerCommand")) < 0.03
    chain = [(link["what"], link["of"], link["after"]) for link in run.fault["chain"]]
    assert chain[:3] == [
        ("fault began", "slow_recovery", None),
        ("node bus-off", "SteerNode", 0),
        ("fault ended", "slow_recovery", 0),
    ]
    assert ("axis left active", "steering", 1) in chain
    assert ("node back on bus", "SteerNode", 1) in chain
    off_s = run.fault["chain"][1]["at_s"]
    assert off_s == pytest.approx(errors[-1], abs=1e-4)


def test_a_loose_connector_hits_all_nodes_behind_it_in_bursts(faulty) -> None:
    wrong = "behind: BrakeNode, every: 300 ms, at: 1.8 s, for: 900 ms"
    run = faulty("loose_connector", wrong)
    assert run.fault["cause"].endswith("behind it: BrakeNode, SteerNode.")
    errors = errors_s(run)
    assert len(errors) > 20
    stretches = [errors[(errors - 1.8) // 0.3 == number] for number in range(3)]
    assert all(not len(one) or np.ptp(one) < 0.201 for one in stretches)  # one burst in each
    assert not ((errors < 1.8) | (errors > 2.701)).any()
    for name, period_s in ((STEERING[0], 0.01), (BRAKE[0], 0.02)):
        late = np.flatnonzero(np.diff(run.heard(name).within(1.7, 2.9).t_s) > 1.5 * period_s)
        assert len(late) >= 1, name
    for name in REST:
        assert longest_gap_s(run.heard(name)) < 0.11, name
    assert missing(run.heard("SteerCommand")["Counter"]) == 0
    assert not np.array_equal(errors_s(faulty("loose_connector", wrong, seed=9)), errors)
    shaken = errors_s(
        faulty("loose_connector", "behind: BrakeNode, every: 100 ms, while_moving: yes, at: 0.3 s")
    )
    assert len(shaken) > 10
    assert shaken[0] > 1.4  # nobody moves before 1.3 s


def test_the_ground_shifts_only_while_the_current_is_high(faulty) -> None:
    run = faulty("ground_shift", "share: 30 %, above: 12 A, node: DriveNode, at: 0.5 s")
    battery, errors = run.heard("BatteryState"), errors_s(run)
    assert len(errors) > 10
    high = battery.t_s[battery["Current"] > 12]
    assert high[0] - 0.2 < errors[0]
    assert errors[-1] < high[-1] + 0.2  # its current is told every 200 ms
    assert battery.t_s[-1] > errors[-1] + 0.1
    assert missing(run.heard("DriveFeedback")["Counter"]) == 0  # they are sent again


def test_a_broken_branch_cuts_off_what_is_behind_it(faulty) -> None:
    run = faulty("broken_branch", "behind: BrakeNode, at: 1.8 s, for: 500 ms")
    for name in (*STEERING, *BRAKE):
        assert len(run.heard(name).within(1.801, 2.3)) == 0, name
        assert len(run.heard(name).within(2.3, 2.9)) > 4, name
    for name in REST:
        assert longest_gap_s(run.heard(name)) < 0.11, name
    assert len(errors_s(run)) == 0  # on this side everything is well
    assert len(run.rows("can0", 0x7A0)) == 1  # no second boot message
    steering = run.heard("SteerFeedback")
    assert missing(steering["Counter"]) in {49 % 15, 50 % 15}
    assert state_at(steering, 2.35) == (AxisState.READY, Reason.DEMAND_LOST)


def test_a_branch_with_a_lone_node_leaves_the_others_to_their_computer(faulty) -> None:
    run = faulty("broken_branch", "behind: DriveNode, at: 1.8 s, for: 500 ms")
    assert run.fault["node"] == "DriveNode"
    for name in ("DriveFeedback", "PedalState"):
        assert len(run.heard(name).within(1.801, 2.3)) == 0, name
        # What could not be sent for want of an acknowledgement comes first.
        assert run.heard(name).t_s[run.heard(name).t_s > 1.9][0] == pytest.approx(2.3, abs=0.003)
    assert state_at(run.heard("SteerFeedback"), 1.9)[0] == AxisState.ACTIVE
    assert state_at(run.heard("SteerFeedback"), 2.1) == (AxisState.READY, Reason.OTHER_AXIS)
    assert state_at(run.heard("DriveFeedback"), 2.4) == (AxisState.READY, Reason.DEMAND_LOST)


def test_a_shorted_bus_is_dead_and_the_other_lives(faulty) -> None:
    run = faulty("bus_shorted", "bus: drive, at: 1.8 s, for: 500 ms")
    times = run.times(np.flatnonzero(run.chunk.channel == run.chunk.channels.index("can0")))
    assert not ((times > 1.803) & (times < 2.3)).any()  # no error frames either
    assert len(run.heard("BodyState", "can1").within(1.801, 2.3)) == 5
    assert len(run.heard("ChassisSteering", "can1").within(1.81, 2.3)) == 0
    assert state_at(run.heard("SteerFeedback"), 2.35) == (AxisState.READY, Reason.DEMAND_LOST)
    run = faulty("bus_shorted", "bus: chassis, at: 1.8 s")
    assert (run.fault["bus"], run.fault["end_s"]) == ("chassis", None)
    times = run.times(np.flatnonzero(run.chunk.channel == run.chunk.channels.index("can1")))
    assert 1.6 < times.max() < 1.803
    assert longest_gap_s(run.heard("SteerFeedback")) < 0.012
    assert state_at(run.heard("SteerFeedback"), 2.8)[0] == AxisState.ACTIVE


def test_a_bus_that_is_held_tells_of_one_error_and_then_of_nothing(faulty) -> None:
    run = faulty("bus_dominant", "bus: drive, at: 1.8 s, for: 500 ms")
    times = run.times(np.flatnonzero(run.chunk.channel == run.chunk.channels.index("can0")))
    (error,) = errors_s(run)
    assert error == pytest.approx(1.8, abs=0.0002)
    assert not ((times > error) & (times < 2.3)).any()
    assert longest_gap_s(run.heard("BodyState", "can1")) < 0.11
    assert len(run.heard("ChassisSteering", "can1").within(1.81, 2.3)) == 0
    # What waited comes at once, but for who was sending when it began.
    first = [
        run.heard(name).within(2.3, 3.0).t_s[0] for name in ("SteerFeedback", "BrakeFeedback", "KitState")
    ]
    assert sorted(first)[1] < 2.302
    assert state_at(run.heard("SteerFeedback"), 2.35) == (AxisState.READY, Reason.DEMAND_LOST)
    run = faulty("bus_dominant", "bus: chassis, at: 1.8 s")
    times = run.times(np.flatnonzero(run.chunk.channel == run.chunk.channels.index("can1")))
    assert 1.79 < times.max() < 1.803
    assert state_at(run.heard("SteerFeedback"), 2.8)[0] == AxisState.ACTIVE


def test_a_node_at_the_wrong_bit_rate_is_seen_by_errors_only(faulty) -> None:
    run = faulty("wrong_rate_node", "at: 1.8 s, for: 700 ms")
    errors = errors_s(run)
    assert errors[0] == pytest.approx(1.8, abs=0.005)
    assert errors[-1] < 2.51
    assert len(run.rows("can0", 0x3A5)) == 0
    bursts = np.split(errors, np.flatnonzero(np.diff(errors) > 0.05) + 1)
    # Its own 32, until it is bus-off, and up to 16 of others, until it is passive; then 100 ms.
    assert len(bursts) in {6, 7}
    assert {len(burst) for burst in bursts} <= set(range(32, 49))
    assert max(len(burst) for burst in bursts) > 32
    assert len(run.heard("SteerFeedback").within(1.8, 2.5)) == pytest.approx(70, abs=2)


def test_a_second_sender_has_a_clock_a_counter_and_values_of_its_own(faulty) -> None:
    run = faulty("two_senders", "message: SteerFeedback, at: 1.8 s, for: 1 s")
    before, during = run.heard("SteerFeedback").within(1, 1.8), run.heard("SteerFeedback").within(1.83, 2.8)
    assert len(during) == pytest.approx(194, abs=3)
    assert missing(before["Counter"]) == 0
    for own in (slice(0, None, 2), slice(1, None, 2)):  # they take turns
        assert missing(during["Counter"][own]) == 0
        assert np.diff(during.t_s[own]) == pytest.approx(0.01, abs=0.001)
    count = len(during) // 2
    angles = np.sort(np.stack([during["Angle"][: 2 * count : 2], during["Angle"][1 : 2 * count : 2]]), axis=0)
    assert (angles[1] / angles[0])[count // 2 :] == pytest.approx(0.8, abs=0.05)  # both to the right of zero


def test_two_nodes_have_one_identity(faulty) -> None:
    run = faulty("identity_clash", "node: SteerNode, at: 1.8 s, for: 1 s")
    for name, count in (("SteerFeedback", 194), ("SteerDiagnostics", 19)):
        assert len(run.heard(name).within(1.83, 2.8)) == pytest.approx(count, abs=3), name
    assert len(run.rows("can0", 0x7A0)) == 2  # as if the node had started again
    assert len(run.heard("BrakeFeedback").within(1.83, 2.8)) == pytest.approx(48, abs=1)
    assert run.fault["node"] == "SteerNode"
