"""Every fault of the simulator does on the bus what its truth says: frames are looked at, not checks.

Runs of one drive, from 5 s on in a bend at 8 km/h; frames are decoded by cantools.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.frames.chunks import FrameKind
from canmap.simulator.cart.kit import Reason
from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.vocabulary.record_types import AxisState
from tests.simulated import DRIVE, is_protected, run_of
from tests.streams import inspected

if TYPE_CHECKING:
    from tests.simulated import Heard, Run

KIT = ("SteerFeedback", "BrakeFeedback", "DriveFeedback", "PedalState")


@pytest.fixture
def faulty(tmp_path: Path):
    """Runs the drive with one fault; the words in braces are its parameters."""

    def run(kind: str, parameters: str = "", script: str = DRIVE) -> Run:
        told = run_of(tmp_path, script, f"{{kind: {kind}{', ' if parameters else ''}{parameters}}}")
        assert told.fault["kind"] == kind
        assert told.fault["cause"].endswith(".")
        return told

    return run


def missing(counter: np.ndarray) -> int:
    """Frames that a counter of profile 1 says are missing."""
    return int(((np.diff(counter) - 1) % 15).sum())


def longest_gap_s(heard: Heard) -> float:
    return float(np.diff(heard.t_s).max())


def state_at(heard: Heard, t_s: float) -> float:
    return heard["State"][np.searchsorted(heard.t_s, t_s)]


def periods_away(heard: Heard, t_s: float, period_s: float) -> float:
    """How many periods there are from the frames before a time to those after it; whole: one timer ran on."""
    before, after = heard.t_s[heard.t_s < t_s][-20:], heard.t_s[heard.t_s >= t_s][:20]
    steps = np.arange(20) * period_s
    return float(np.median(after - steps) - np.median(before - steps)) / period_s


def span(run: Run) -> tuple[float, float]:
    return run.fault["start_s"], run.fault["end_s"]


def test_a_message_is_stopped_and_nothing_else(faulty) -> None:
    run = faulty("message_stopped", "message: SteerFeedback, at: 5 s, for: 420 ms")
    assert (run.fault["node"], run.fault["message"]) == ("SteerNode", "SteerFeedback")
    steering = run.heard("SteerFeedback")
    assert len(steering.within(*span(run))) <= 1  # one may have been on its way
    assert missing(steering["Counter"]) == 0  # it was never made
    away = periods_away(steering, 5.1, 0.010)
    assert away == pytest.approx(round(away), abs=0.03)  # its timer ran on
    assert longest_gap_s(run.heard("SteerDiagnostics")) < 0.11
    assert longest_gap_s(run.heard("SteerCommand")) < 0.022


def test_frozen_values_come_with_a_counter_that_goes_on(faulty) -> None:
    run = faulty("frozen_value", "message: SteerFeedback, at: 5 s, for: 2 s")
    frozen = run.heard("SteerFeedback").within(5.02, 7.0)
    assert np.ptp(frozen["Angle"]) == 0
    assert np.ptp(run.heard("SteerFeedback").within(7.01, 8.0)["Angle"]) > 5
    assert missing(frozen["Counter"]) == 0
    assert longest_gap_s(frozen) < 0.011


@pytest.mark.parametrize("dip", [True, False])
def test_a_node_restarts(faulty, dip: bool) -> None:
    volts = ", supply_dip: 7.5 V" if dip else ""
    run = faulty("node_restart", f"node: BrakeNode, at: 5 s, for: 300 ms{volts}")
    brake = run.heard("BrakeFeedback")
    assert len(brake.within(5.002, 5.3)) == 0
    after = brake.within(5.3, 7.0)
    assert after["Counter"][0] == 0
    assert [after["State"][0], after["State"][-1]] == [AxisState.OFF, AxisState.READY]
    assert len(run.rows("can0", 0x7A1)) == 2  # its boot message, at power-on and now
    away = periods_away(brake, 5.1, 0.020)
    assert away != pytest.approx(round(away), abs=0.03)  # its timers began anew
    supply = run.heard("SteerDiagnostics")["Supply"]
    assert np.nanmin(supply) == pytest.approx(7.5 if dip else 13.4, abs=0.2)


def test_the_supply_of_the_kit_is_cut_while_the_loop_is_closed(faulty) -> None:
    run = faulty("supply_cut", "at: 5 s, for: 2 s")
    for name in KIT:
        assert len(run.heard(name).within(5.05, 7.0)) == 0, name  # the capacitors last up to 30 ms
        assert len(run.heard(name).within(7.1, 8.0)) > 40, name
    kit = run.heard("KitState").within(5.15, 7.0)
    assert set(kit["SupplyOn"]) == {0}
    assert set(kit["StopLoopClosed"]) == {1}
    assert set(run.fault["messages"]) == {*KIT, "SteerDiagnostics"}
    assert longest_gap_s(run.heard("WheelSpeeds")) < 0.022


@pytest.mark.parametrize("button", ["vehicle", "radio"])
def test_a_stop_button_cuts_the_supply_until_someone_resets(faulty, button: str) -> None:
    script = f"{DRIVE}  - {{at: 8 s, operator: reset}}\n"
    run = faulty("stop_pressed", f"button: {button}, at: 5 s, for: 2 s", script)
    panel = run.heard("OperatorPanel")
    pressed = panel["StopButton" if button == "vehicle" else "RadioStop"]
    assert panel.t_s[np.flatnonzero(pressed)[0]] == pytest.approx(5.0, abs=0.03)  # told on change
    assert panel.t_s[np.flatnonzero(pressed)[-1] + 1] == pytest.approx(7.0, abs=0.03)
    kit = run.heard("KitState")
    assert set(kit.within(5.12, 8.0)["SupplyOn"]) == {0}
    assert set(kit.within(7.12, 8.0)["StopLoopClosed"]) == {1}
    assert set(kit.within(8.12, 9.0)["SupplyOn"]) == {1}
    for name in KIT:
        assert len(run.heard(name).within(5.05, 8.0)) == 0, name
        assert len(run.heard(name).within(8.1, 9.0)) > 40, name
    event = run.heard("KitEvent").within(5.0, 5.1)
    assert event["Code"].tolist() == [Reason.STOP_LOOP_OPEN]


def test_a_lost_radio_link_opens_the_loop_half_a_second_later(faulty) -> None:
    run = faulty("link_lost", "at: 5 s, for: 2 s")
    kit = run.heard("KitState")
    assert set(kit.within(4.9, 5.5)["StopLoopClosed"]) == {1}
    assert set(kit.within(5.65, 7.0)["LinkLost"]) == {1}
    assert len(run.heard("SteerFeedback").within(5.0, 5.5)) > 45
    assert len(run.heard("SteerFeedback").within(5.56, 7.0)) == 0


def test_a_demand_comes_late(faulty) -> None:
    run = faulty("demand_late", "message: SteerCommand, delay: 70 ms, at: 5 s, for: 2 s")
    demand = run.heard("SteerCommand")
    assert longest_gap_s(demand) == pytest.approx(0.09, abs=0.003)
    assert missing(demand["Counter"].astype(int)) == 0  # in order, as from a queue: common practice
    held_back = demand.within(6.999, 7.005)
    assert len(held_back) in (3, 4)  # of 70 ms, every 20 ms
    assert longest_gap_s(held_back) < 0.002
    # The wheel still follows: late, but within the watchdog.
    assert set(run.heard("SteerFeedback").within(5.0, 7.0)["State"]) == {AxisState.ACTIVE}


def test_a_computer_without_supply_loses_what_it_held_back(tmp_path: Path) -> None:
    """The delay of 150 ms goes on once it is back; of the 150 ms before it went off nothing comes."""
    off = "{kind: node_unplugged, node: Computer, at: 6 s, for: 100 ms}"
    late = "{kind: demand_late, message: SteerCommand, delay: 150 ms, at: 5 s, for: 2 s}"
    run = run_of(tmp_path, DRIVE, f"{late}\n  - {off}")
    demand = run.heard("SteerCommand")
    assert len(demand.within(6.001, 6.25)) == 0
    back = demand.within(6.25, 6.9)
    assert back["Counter"][0] == 0
    assert missing(back["Counter"].astype(int)) == 0


def test_a_demand_stays_away_and_the_kit_stops_the_cart(faulty) -> None:
    run = faulty("demand_absent", "message: SteerCommand, at: 5 s, for: 1 s")
    assert len(run.heard("SteerCommand").within(5.001, 6.0)) == 0
    steering = run.heard("SteerFeedback")
    let_go_s = steering.t_s[np.flatnonzero((steering.t_s > 4) & (steering["State"] != AxisState.ACTIVE))[0]]
    assert let_go_s == pytest.approx(5.0 + 0.12, abs=0.03)  # the manual's watchdog
    assert steering["Reason"][np.searchsorted(steering.t_s, let_go_s)] == Reason.DEMAND_LOST
    assert set(run.heard("KitState").within(5.3, 5.9)["Mode"]) == {3}
    assert state_at(steering, 8.0) == AxisState.READY  # demands are back, without an edge
    assert np.abs(run.heard("WheelSpeeds").within(9.0, 9.5)["RearLeft"]).max() < 0.1


@pytest.mark.parametrize("because", ["counter", "checksum"])
def test_a_wrong_demand_is_refused(faulty, because: str) -> None:
    run = faulty("demand_refused", f"message: SteerCommand, because: {because}, at: 5 s, for: 1 s")
    during = run.heard("SteerCommand").within(5.03, 6.0)
    assert longest_gap_s(during) < 0.022
    assert set(during["Enable"]) == {1}
    assert (len(set(during["Counter"])) == 1) == (because == "counter")
    rows = run.rows("can0", 0x102)
    good = np.array([is_protected(run.chunk.payload[row].tobytes(), 6, 0x102) for row in rows])
    wrong_s = run.times(rows)[~good]
    if because == "checksum":
        assert (wrong_s.min(), wrong_s.max()) == (pytest.approx(5.0, abs=0.03), pytest.approx(6.0, abs=0.03))
    assert len(wrong_s) == (50 if because == "checksum" else 0)
    result, _ = inspected([run.chunk])
    found = [finding for finding in result.findings if finding.kind == "checksum"]
    assert [(finding.place.message, finding.count) for finding in found] == (
        [("SteerCommand", 50)] if because == "checksum" else []
    )
    steering = run.heard("SteerFeedback")
    assert state_at(steering, 5.03) == AxisState.ACTIVE
    assert state_at(steering, 5.2) == AxisState.READY
    assert steering["Reason"][np.searchsorted(steering.t_s, 5.2)] == Reason.DEMAND_LOST


def test_an_enable_bit_without_an_edge_is_refused(faulty) -> None:
    run = faulty("demand_refused", "message: SteerCommand, because: level, at: 0 s")
    assert set(run.heard("SteerCommand")["Enable"]) == {1}
    steering = run.heard("SteerFeedback").within(1.3, 12.0)
    assert set(steering["State"]) == {AxisState.READY}
    assert set(steering["Reason"]) == {Reason.NO_EDGE}


def drift_deg(run: Run, stop_s: float) -> np.ndarray:
    """How far the wheel is from what is demanded, from 5 s on; in the kit's sense, positive to the right."""
    steering, demand = run.heard("SteerFeedback").within(5.0, stop_s), run.heard("SteerCommand")
    return steering["Angle"] - np.interp(steering.t_s, demand.t_s, demand["Angle"])


def varies(torque: np.ndarray) -> float:
    """Root mean square of what varies at 1 to 10 Hz, of a signal that comes every 10 ms."""
    lines = np.abs(np.fft.rfft(torque - torque.mean())) * 2 / len(torque)
    hz = np.fft.rfftfreq(len(torque), 0.01)
    return float(np.sqrt(0.5 * (lines[(hz >= 1) & (hz <= 10)] ** 2).sum()))


def test_a_hand_takes_the_steering_over_and_turns_it_its_way(faulty) -> None:
    run = faulty("driver_override", "torque: 7 Nm, at: 5 s, for: 1.2 s")
    steering = run.heard("SteerFeedback")
    held = steering.within(5.1, 6.2)["Torque"]
    # The kit counts to the right, the fault to the left.
    assert held.mean() == pytest.approx(-7, abs=0.8)
    assert varies(held) > 0.3
    assert abs(steering.within(6.25, 6.7)["Torque"].mean()) < 1.3
    assert state_at(steering, 5.09) == AxisState.ACTIVE
    assert state_at(steering, 5.25) == AxisState.OVERRIDDEN
    assert state_at(steering, 9.0) == AxisState.OVERRIDDEN  # until the enable bit goes down
    assert drift_deg(run, 5.2)[-1] - drift_deg(run, 5.2)[0] < -2  # to the left, where the hand pulls
    assert np.diff(steering.within(5.3, 6.1)["Angle"]).mean() < -0.3


def test_a_torque_sensor_that_is_off_is_so_before_anybody_enables(faulty) -> None:
    run = faulty("false_override", "torque: -6 Nm, at: 5 s, for: 0.5 s")
    steering = run.heard("SteerFeedback")
    before, during = steering.within(0.3, 1.4)["Torque"], steering.within(5.02, 5.5)["Torque"]
    assert (before.mean(), during.mean()) == (pytest.approx(3, abs=0.05), pytest.approx(6, abs=0.05))
    assert max(varies(before), varies(during)) < 0.05
    assert np.ptp(during) < 0.2  # its noise, and no more
    assert state_at(steering, 5.09) == AxisState.ACTIVE
    assert state_at(steering, 5.15) == AxisState.OVERRIDDEN
    # No hand moves the wheel: while the motor holds it, it goes on along its path.
    assert abs(np.diff(drift_deg(run, 5.1)[[0, -1]])[0]) < 1.0
    assert np.ptp(steering.within(5.4, 6.5)["Angle"]) < 2.0  # and then it stands
    assert "no hand" in run.fault["cause"]


def test_a_fault_of_the_kit_stays_until_it_is_reset(faulty) -> None:
    run = faulty("kit_fault", "axis: brake, at: 5 s, for: 3 s")
    brake = run.heard("BrakeFeedback")
    assert set(brake.within(5.05, 8.0)["State"]) == {AxisState.FAULTED}
    assert set(brake.within(5.05, 8.0)["Reason"]) == {Reason.INTERNAL_FAULT}
    assert state_at(brake, 8.1) == AxisState.STANDBY
    assert state_at(brake, 9.5) == AxisState.READY
    assert set(run.heard("KitState").within(5.2, 7.9)["Mode"]) == {3}


def test_a_sensor_that_is_off_steers_the_cart_wrong(faulty) -> None:
    script = DRIVE.replace("200 deg, rate: 25", "90 deg, rate: 90")
    run = faulty("sensor_offset", "offset: 12 deg, at: 8 s", script)
    # The kit follows its sensor, so that feedback and demand agree, and the wheels are 12 deg off.
    assert run.heard("SteerFeedback").within(9.5, 11)["Angle"].mean() == pytest.approx(-90, abs=0.1)
    wheels = run.heard("WheelSpeeds")

    def curvature(heard: Heard) -> float:
        left, right = heard["RearLeft"].mean(), heard["RearRight"].mean()
        return (right - left) / (right + left) * 2 / 1.20

    def column_deg(per_m: float) -> float:
        return float(np.rad2deg(np.arctan(1.86 * per_m))) * 15.4

    before, after = (column_deg(curvature(wheels.within(*each))) for each in ((6.5, 8), (9.5, 11.5)))
    assert before - after == pytest.approx(12.0, abs=2.1)  # the play of the steering is 2 deg


def test_a_pedal_stands_at_its_rail(faulty) -> None:
    run = faulty("railed_pedal", "level: 110 %, at: 5 s, for: 300 ms")
    pedal = run.heard("PedalState")
    assert set(pedal.within(5.01, 5.3)["Throttle"]) == {110}
    assert set(pedal.within(5.32, 6)["Throttle"]) == {0}
    assert set(pedal.within(5.01, 5.3)["ThrottleB"]) == {0}  # the second sensor does not agree


def test_a_sender_loses_frames_that_its_counter_counts(faulty) -> None:
    run = faulty("sender_loss", "message: BrakeFeedback, share: 30 %, at: 5 s, for: 4 s")
    brake = run.heard("BrakeFeedback")
    assert missing(brake["Counter"].astype(int)) == pytest.approx(0.3 * 200, abs=25)
    assert len(brake.within(5, 9)) + missing(brake["Counter"]) == pytest.approx(200, abs=1)
    assert missing(run.heard("SteerFeedback")["Counter"]) == 0


def test_the_gateway_loses_what_was_on_the_first_bus(faulty) -> None:
    run = faulty("gateway_loss", "share: 50 %, at: 5 s, for: 4 s")
    assert run.fault["bus"] == "chassis"
    assert missing(run.heard("SteerFeedback")["Counter"]) == 0
    relayed = run.heard("ChassisSteering", "can1")
    steps = np.diff(relayed["Counter"]) % 15  # 4 where none is lost
    assert len(relayed.within(5, 9)) == pytest.approx(50, abs=18)
    assert set(steps[(relayed.t_s[1:] < 5) | (relayed.t_s[:-1] > 9)]) == {4}
    assert longest_gap_s(run.heard("BodyState", "can1")) < 0.11


def test_the_recorder_loses_frames_of_all_nodes(faulty) -> None:
    run = faulty("recorder_loss", "share: 20 %, at: 5 s, for: 4 s")
    for name, count in (("SteerFeedback", 400), ("SteerCommand", 200), ("BrakeFeedback", 200)):
        heard = run.heard(name)
        assert missing(heard["Counter"]) == pytest.approx(0.2 * count, abs=0.1 * count), name
    assert set(run.heard("SteerFeedback").within(5, 9)["State"]) == {AxisState.ACTIVE}  # the bus was well


def test_the_recorder_stops_for_a_while(faulty) -> None:
    run = faulty("recorder_gap", "at: 5 s, for: 1 s")
    times = run.times(np.arange(len(run.chunk)))
    assert not ((times > 5.001) & (times < 6)).any()
    assert (missing(run.heard("SteerFeedback")["Counter"]) - 100) % 15 == 0


def test_a_stalled_host_gets_its_frames_in_a_burst(faulty) -> None:
    run = faulty("host_stall", "at: 5 s, for: 250 ms")
    assert missing(run.heard("SteerFeedback")["Counter"]) == 0
    times = run.times(np.arange(len(run.chunk)))
    assert not ((times > 5.001) & (times < 5.25)).any()
    assert ((times >= 5.25) & (times < 5.255)).sum() > 100


def test_the_recorder_clock_is_set_back(faulty) -> None:
    run = faulty("clock_step", "step: -2 s, at: 5 s")
    times = run.times(np.arange(len(run.chunk)))
    steps = np.diff(times)
    assert steps.min() == pytest.approx(-2.0, abs=0.01)  # and the time between two frames
    assert (steps < -0.001).sum() == 1
    assert missing(run.heard("SteerFeedback")["Counter"]) == 0
    assert run.fault["start_s"] == 5.0


def test_a_babbling_node_starves_what_comes_after_it(faulty) -> None:
    run = faulty("babbling_node", "identifier: 0x001, at: 5 s, for: 400 ms")
    assert len(run.rows("can0", 0x001)) > 1200  # 400 ms of frames of a quarter of a millisecond
    for name in ("SteerFeedback", "SteerCommand", "KitState"):
        assert len(run.heard(name).within(5.002, 5.39)) == 0, name
    assert longest_gap_s(run.heard("BodyState", "can1")) < 0.11


def test_wiring_takes_a_node_off_the_bus(faulty) -> None:
    run = faulty("wiring", "share: 100 %, node: SteerNode, at: 5 s, for: 1 s")
    errors = (run.chunk.kind == FrameKind.ERROR) & (run.times(np.arange(len(run.chunk))) < 5.9)
    assert errors.sum() >= 32  # 32 failures of 8 each, and its count is past 255
    assert len(run.heard("SteerFeedback").within(5.002, 6.0)) == 0
    assert len(run.heard("SteerFeedback").within(6.2, 7.0)) > 70
    assert longest_gap_s(run.heard("BrakeFeedback")) < 0.03


def test_bad_wiring_costs_repetitions_but_no_frame(faulty) -> None:
    run = faulty("wiring", "share: 10 %, at: 5 s, for: 2 s")
    assert (run.chunk.kind == FrameKind.ERROR).sum() > 50
    assert missing(run.heard("SteerFeedback")["Counter"]) == 0


def test_two_nodes_send_one_identifier(faulty) -> None:
    run = faulty("two_senders", "message: SteerCommand, at: 5 s, for: 2 s")
    during = run.heard("SteerCommand").within(5.1, 7.0)
    assert len(during) == pytest.approx(2 * 95, abs=4)
    assert (during["Enable"] == 0).sum() == pytest.approx(95, abs=4)  # the stranger's
    assert (during["Enable"] == 1).sum() == pytest.approx(95, abs=4)
    assert len(run.heard("SteerCommand").within(7.1, 8.0)) == pytest.approx(45, abs=1)


def test_a_description_is_wrong_in_scale_sign_and_byte_order(faulty) -> None:
    good = faulty("gateway_loss", "share: 1 %, at: 11 s").heard
    scale = faulty("wrong_scale", "signal: DriveFeedback.MotorSpeed, factor: 12")
    turns, right_turns = (
        heard.within(8, 9)["MotorSpeed"].mean()
        for heard in (scale.heard("DriveFeedback"), good("DriveFeedback"))
    )
    assert right_turns / turns == pytest.approx(12, rel=0.01)
    assert (scale.fault["start_s"], scale.fault["end_s"]) == (0.0, None)
    sign = faulty("wrong_sign", "signal: SteerFeedback.Angle").heard("SteerFeedback")
    np.testing.assert_allclose(sign["Angle"], -good("SteerFeedback")["Angle"], atol=1e-9)
    order = faulty("wrong_byte_order", "signal: BatteryState.Voltage").heard("BatteryState")
    swapped = np.rint(order["Voltage"] * 100).astype(np.uint16).byteswap() / 100
    np.testing.assert_allclose(swapped, good("BatteryState")["Voltage"], atol=1e-9)


def test_every_kind_is_tested() -> None:
    """Not by what has run: the tests may be spread over several processes."""
    texts = [path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_*_faults.py")]
    assert set(FAULT_KINDS) <= set(re.findall(r'"(\w+)"', "".join(texts)))
