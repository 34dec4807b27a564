"""Every fault shows in frames, and as something else than any other, but for the stated ties.

All examples of `tests/fault_examples.py` with one seed; `python -m tests.bench.fault_frames` takes twenty.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.simulator.cart.kit import Reason
from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.vocabulary.record_types import AxisState
from tests.fault_examples import EXAMPLES, TIED_OTHERWISE, TIES, Trip, distances, kind_of, trip_of

if TYPE_CHECKING:
    from tests.simulated import Heard, Run

SEED = 3
START_S, STOP_S = 1.9, 2.6


@pytest.fixture(scope="module")
def trips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Trip]:
    """A trip without a fault, under an empty name, and one with each example."""
    folder = tmp_path_factory.mktemp("trips")
    return {"": trip_of(folder, None, SEED)} | {name: trip_of(folder, name, SEED) for name in EXAMPLES}


def test_every_kind_has_an_example_of_its_own() -> None:
    missing = set(FAULT_KINDS) - {kind_of(name) for name in EXAMPLES}
    assert missing == set(), "add a row to EXAMPLES in tests/fault_examples.py"


def test_no_two_faults_give_the_same_frames_but_the_stated_ties(trips: dict[str, Trip]) -> None:
    same = [{one, other} for one, other in combinations(trips, 2) if not distances(trips[one], trips[other])]
    assert sorted(map(sorted, same)) == sorted(map(sorted, TIES))


def test_the_truth_names_the_ties(trips: dict[str, Trip]) -> None:
    stated = {name: set(trip.fault["tie_with"]) for name, trip in trips.items() if name}
    for one, other in TIES:
        assert kind_of(other) in stated[one]
        assert kind_of(one) in stated[other]
    tied = set().union(*TIES)
    assert {name for name, kinds in stated.items() if kinds} == tied | TIED_OTHERWISE


def test_what_follows_stands_in_every_chain_in_order(trips: dict[str, Trip]) -> None:
    for name in EXAMPLES:
        chain = trips[name].fault["chain"]
        assert (chain[0]["what"], chain[0]["of"]) == ("fault began", kind_of(name))
        for place, link in enumerate(chain[1:], 1):
            assert link["after"] < place
            assert chain[link["after"]]["at_s"] <= link["at_s"], name


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("babbling_node", "demand lost"),
        ("demand_refused, checksum", "demand lost"),
        ("two_senders", "demand lost"),
        ("kit_fault", "internal fault"),
        ("driver_override", "driver override"),
        ("false_override", "driver override"),
        ("false_override, inertia", "driver override"),
        ("node_restart", "no supply"),
        ("link_lost", "no supply"),
    ],
)
def test_axes_leave_for_the_reason_that_the_fault_is(trips: dict[str, Trip], name: str, reason: str) -> None:
    left = [link for link in trips[name].fault["chain"] if link["what"] == "axis left active"]
    assert left[0]["reason"] == reason
    assert {link["of"] for link in left} >= {"steering", "drive"}


def heard(trips: dict[str, Trip], name: str, message: str) -> tuple[Heard, Heard]:
    """A message while the fault lasts, and then in the trip without it."""
    channel = "can1" if message == "BodyState" else "can0"
    with_it, without = (trips[each].run.heard(message, channel) for each in (name, ""))
    return with_it.within(START_S + 0.02, STOP_S), without.within(START_S + 0.02, STOP_S)


def what_happened(run: Run) -> list[tuple[str, str]]:
    return [(link["what"], link["of"]) for link in run.fault["chain"]]


def test_a_loop_that_is_open_or_chatters_has_no_button(trips: dict[str, Trip]) -> None:
    for name in ("loop_open", "loop_chatter"):
        panel = trips[name].run.heard("OperatorPanel")
        assert (set(panel["StopButton"]), set(panel["RadioStop"])) == ({0}, {0})
    opened, chatters = trips["loop_open"].run, trips["loop_chatter"].run
    assert len(opened.heard("SteerFeedback").within(1.95, 3)) == 0
    assert ("relay opened", "kit") in what_happened(opened)
    events = chatters.heard("KitEvent")["Code"].tolist()
    assert events == [Reason.STOP_LOOP_OPEN] * 10
    assert what_happened(chatters).count(("stop loop opened", "kit")) == 10
    assert set(chatters.heard("SteerFeedback").within(1.95, 3)["State"]) == {AxisState.ACTIVE}


def test_a_supply_that_sags_takes_the_nodes_down_and_lets_them_start_again(trips: dict[str, Trip]) -> None:
    run = trips["supply_sag"].run
    off = [of for what, of in what_happened(run) if what == "node off"]
    assert off == ["BrakeNode", "DriveNode", "SteerNode"]  # those with the smallest capacitors first
    chain = run.fault["chain"]
    for link in chain:
        if link["what"] == "node off":
            assert chain[link["after"]]["what"] == "supply low"
            assert link["at_s"] > chain[link["after"]]["at_s"]
    after = run.heard("SteerFeedback").within(2.1, 3)
    assert after["State"][-1] < AxisState.READY  # it starts again
    assert max(np.diff(after.t_s)) == pytest.approx(0.07, abs=0.02)
    for can_id in (0x7A0, 0x7A1, 0x7A2):
        assert len(run.rows("can0", can_id)) == 2  # boot messages
    one = trips["supply_sag, one node"].run
    assert [of for what, of in what_happened(one) if what == "node off"] == ["SteerNode"]
    assert run.heard("BodyState", "can1")["Supply"].min() < 13  # on the same rail
    assert one.heard("BodyState", "can1")["Supply"].min() > 13.2


def test_an_unplugged_node_is_away(trips: dict[str, Trip]) -> None:
    assert len(trips["node_unplugged"].run.heard("SteerFeedback").within(1.91, 3)) == 0
    run = trips["node_unplugged, the computer"].run
    for name in ("SteerCommand", "BrakeCommand", "DriveCommand"):
        assert len(run.heard(name).within(1.91, 2.6)) == 0
        assert len(run.heard(name).within(2.63, 3)) > 10
    chain = run.fault["chain"]
    left = next(link for link in chain if link["what"] == "axis left active")
    assert (left["reason"], chain[left["after"]]["what"]) == ("demand lost", "node off")


def test_a_deaf_receiver_follows_its_watchdog_though_demands_are_there(trips: dict[str, Trip]) -> None:
    demand, _ = heard(trips, "receiver_deaf", "SteerCommand")
    assert np.diff(demand.t_s).max() < 0.022
    assert set(demand["Enable"]) == {1}
    steering = trips["receiver_deaf"].run.heard("SteerFeedback")
    assert set(steering.within(2.1, 2.5)["Reason"]) == {Reason.DEMAND_LOST}
    assert set(trips["receiver_deaf"].run.heard("BrakeFeedback").within(2.2, 2.5)["Effort"]) != {0}


def test_demands_whose_source_is_dead_stand_still_and_count(trips: dict[str, Trip]) -> None:
    for message, signal in (("SteerCommand", "Angle"), ("DriveCommand", "Throttle")):
        stale, alive = heard(trips, "stale_demand", message)
        assert np.ptp(stale[signal]) == 0 < np.ptp(alive[signal])
        assert set(np.diff(stale["Counter"]) % 15) == {1}
    only, _ = heard(trips, "stale_demand, one", "DriveCommand")
    assert np.ptp(only["Throttle"]) > 0


@pytest.mark.parametrize("because", ["range", "jump"])
def test_a_demand_is_refused_for_its_value(trips: dict[str, Trip], because: str) -> None:
    run = trips[f"demand_refused, {because}"].run
    demand, clean = heard(trips, f"demand_refused, {because}", "SteerCommand")
    assert set(np.diff(demand["Counter"]) % 15) == {1}
    assert (np.abs(demand["Angle"]).min() > 540) == (because == "range")
    if because == "jump":
        assert np.abs(demand["Angle"] - clean["Angle"]).min() > 400
    assert set(run.heard("SteerFeedback").within(2.1, 2.5)["Reason"]) == {Reason.DEMAND_LOST}


def test_a_hot_motor_follows_ever_more_slowly_and_a_jammed_wheel_not_at_all(trips: dict[str, Trip]) -> None:
    rate = {name: np.abs(heard(trips, name, "SteerFeedback")[0]["Rate"]) for name in ("derating", "")}
    assert rate[""].max() == pytest.approx(420, abs=2)
    assert rate["derating"][-40:].max() < 10
    hot = trips["derating"].run.heard("SteerDiagnostics")["MotorTemperature"]
    assert (np.nanmin(hot), np.nanmax(hot)) == (31, 115)
    assert set(heard(trips, "derating", "SteerFeedback")[0]["State"]) == {AxisState.ACTIVE}
    jammed, _ = heard(trips, "jammed_linkage", "SteerFeedback")
    assert np.ptp(jammed["Angle"]) < 0.3  # its noise
    current = trips["jammed_linkage"].run.heard("SteerDiagnostics").within(START_S, STOP_S)["MotorCurrent"]
    assert np.nanmax(np.abs(current)) == pytest.approx(40)


def test_the_inertia_of_a_heavy_rim_is_taken_for_a_hand(trips: dict[str, Trip]) -> None:
    """A thin ring of 5 kg at 0.19 m: 0.18 kg m^2. At rest, and at a steady rate, there is no torque."""
    steering = trips["false_override, inertia"].run.heard("SteerFeedback")
    moved = steering.within(2.0, 2.9)
    torque, acceleration = moved["Torque"][1:], np.diff(np.deg2rad(moved["Rate"])) / 0.01
    slow = np.abs(acceleration) < 100  # the sensor ends at 38 N m
    inertia = -float(torque[slow] @ acceleration[slow] / (acceleration[slow] @ acceleration[slow]))
    assert inertia == pytest.approx(5 * 0.19**2, rel=0.05)
    assert np.abs(steering.within(0.2, 1.5)["Torque"]).max() < 0.1
    assert steering["State"][-1] == AxisState.OVERRIDDEN
    assert set(steering["State"][steering.t_s < 2.85]) >= {AxisState.ACTIVE}
    assert AxisState.OVERRIDDEN not in steering["State"][steering.t_s < 2.85]


def test_a_stuck_frame_repeats_its_counter_and_a_repeated_one_comes_twice(trips: dict[str, Trip]) -> None:
    stuck, _ = heard(trips, "stuck_frame", "SteerFeedback")
    assert np.diff(stuck.t_s).max() < 0.011
    assert all(np.ptp(column) == 0 for column in stuck.signals.values())
    twice, once = heard(trips, "repeated_frames", "SteerFeedback")
    assert len(twice) == 2 * len(once)
    assert set(np.diff(twice["Counter"]) % 15) == {0, 1}


def test_a_scale_changes_and_a_contact_opens(trips: dict[str, Trip]) -> None:
    scaled, alive = heard(trips, "scale_changed", "SteerFeedback")
    np.testing.assert_allclose(scaled["Angle"], alive["Angle"] / 10, atol=0.1)
    contact, _ = heard(trips, "sensor_contact", "PedalState")
    is_open = contact["Throttle"] == 127.5  # all bits
    assert set(contact["Throttle"][~is_open]) == {0}
    assert 0.02 < is_open.mean() < 0.5
    assert np.abs(np.diff(is_open.astype(int))).sum() >= 2  # and comes back
    assert set(contact["ThrottleB"]) == {0}


def test_a_wheel_sensor_tells_nothing_at_low_speed(trips: dict[str, Trip]) -> None:
    wheels = trips["wheel_dropout"].run.heard("WheelSpeeds")
    slow = wheels["RearRight"] < 1.5
    assert wheels["RearRight"][slow].max() > 0.5
    assert set(wheels["RearLeft"][slow]) == {0}
    assert wheels["RearLeft"].max() > 2


def test_changed_settings_are_there_from_the_first_frame(trips: dict[str, Trip]) -> None:
    firmware = trips["changed_settings"].run.heard("SteerDiagnostics")["Firmware"]
    assert set(firmware[~np.isnan(firmware)]) == {24}
    slower = trips["changed_settings, a period"].run.heard("BrakeFeedback")
    assert np.diff(slower.t_s).mean() == pytest.approx(0.025, abs=0.0002)
    assert trips["changed_settings"].fault["start_s"] == 0.0
