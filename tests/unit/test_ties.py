"""Where no capture of a vehicle tells two faults apart, the truth says so; where it can, it says nothing.

On the carrier no message tells of the stop loop or of the recorder's own state; it has one bus. Here are the
ties that need a reset, the end of the run or a capture without error frames, and those of the cart's second
bus.
"""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest
import yaml

from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.simulator.scenario.ties import TIES
from canmap.simulator.simulation import simulate_to_file
from tests.carrier_examples import ON_CARRIER, TIED_OTHERWISE_ON_CARRIER, TIES_ON_CARRIER, carrier_trip_of
from tests.fault_examples import TRIP, Trip, distances, driven, kind_of
from tests.simulated import scenario_of, short_drive

SEED = 3
RESET = "  - {at: 3.61 s, operator: reset}\n"
NO_ERRORS = "recorder: {error_frames: no}\n"
SCRIPTS = {
    "cart": TRIP,
    "cart, no error frames": TRIP + NO_ERRORS,
    "carrier": ON_CARRIER,
    "carrier, with a reset": ON_CARRIER + RESET,
    "carrier, no error frames": ON_CARRIER + NO_ERRORS,
    "carrier, recorded twice": ON_CARRIER + "recorder: {far: {at: PowerUnit}}\n",
}
# Vehicle to faults that give the same frames, each of which names the kinds of all others.
SAME = {
    "the stop, and the relay 10 ms later": (
        "carrier, with a reset",
        (
            "{kind: stop_pressed, at: 2.9 s, for: 700 ms}",
            "{kind: loop_open, at: 2.9 s, for: 700 ms}",
            "{kind: supply_cut, at: 2.91 s, for: 700 ms}",
        ),
    ),
    "nothing more of the only bus": (
        "carrier",
        (
            "{kind: recorder_gap, at: 2.9 s}",
            "{kind: host_stall, buffer: 0, at: 2.9 s}",
            "{kind: recorder_unplugged, bus: machine, at: 2.9 s, for: 9 s}",
            "{kind: bus_shorted, bus: machine, at: 2.9 s}",
            "{kind: capture_ends, at: 2.9 s}",
        ),
    ),
    "nothing more of the only bus, not even an error frame": (
        "carrier, no error frames",
        (
            "{kind: recorder_gap, at: 2.9 s}",
            "{kind: host_stall, buffer: 0, at: 2.9 s}",
            "{kind: recorder_unplugged, bus: machine, at: 2.9 s}",
            "{kind: capture_ends, at: 2.9 s}",
            "{kind: bus_shorted, bus: machine, at: 2.9 s, for: 9 s}",
            "{kind: bus_dominant, bus: machine, at: 2.9 s}",
        ),
    ),
    "nothing more of two buses": (
        "cart",
        (
            "{kind: recorder_gap, at: 1.9 s, for: 1.1 s}",
            "{kind: host_stall, buffer: 0, at: 1.9 s, for: 9 s}",
            "{kind: capture_ends, at: 1.9 s}",
        ),
    ),
    "a demand that comes no more": (
        "cart",
        (
            "{kind: message_stopped, message: SteerCommand, at: 1.9 s}",
            "{kind: demand_absent, message: SteerCommand, at: 1.9 s, for: 9 s}",
            "{kind: demand_late, message: SteerCommand, delay: 1.1 s, at: 1.9 s}",
        ),
    ),
    "a node that is off when the run ends": (
        "cart",
        (
            "{kind: node_restart, node: SteerNode, at: 1.9 s, for: 9 s}",
            "{kind: node_unplugged, node: SteerNode, at: 1.9 s, for: 2 s}",
        ),
    ),
    "nothing of the chassis bus": (
        "cart",
        (
            "{kind: recorder_unplugged, bus: chassis, at: 1.9 s, for: 700 ms}",
            "{kind: bus_shorted, bus: chassis, at: 1.9 s, for: 700 ms}",
        ),
    ),
    "nothing more of the chassis bus, not even an error frame": (
        "cart, no error frames",
        (
            "{kind: recorder_unplugged, bus: chassis, at: 1.9 s}",
            "{kind: bus_shorted, bus: chassis, at: 1.9 s}",
            "{kind: bus_dominant, bus: chassis, at: 1.9 s, for: 9 s}",
        ),
    ),
    "never anything of the chassis bus": (
        "cart, no error frames",
        (
            "{kind: recorder_unplugged, bus: chassis, at: 0 s}",
            "{kind: bus_shorted, bus: chassis, at: 0 s}",
            "{kind: bus_dominant, bus: chassis, at: 0 s}",
            "{kind: wrong_bit_rate, bus: chassis}",
        ),
    ),
    "never anything of the kit's bus": (
        "cart, no error frames",
        ("{kind: recorder_unplugged, bus: drive, at: 0 s}", "{kind: wrong_bit_rate, bus: drive}"),
    ),
    "no more traffic on the kit's bus": (
        "cart, no error frames",
        ("{kind: bus_shorted, bus: drive, at: 1.9 s}", "{kind: bus_dominant, bus: drive, at: 1.9 s}"),
    ),
}
# The same vehicle, and what follows tells the two apart.
TOLD = {
    "a shorted bus of the kit": (
        "carrier",
        "{kind: recorder_unplugged, bus: machine, at: 2.9 s, for: 700 ms}",
        "{kind: bus_shorted, bus: machine, at: 2.9 s, for: 700 ms}",
    ),
    "a bus of the cart's kit": (
        "cart",
        "{kind: recorder_unplugged, bus: drive, at: 1.9 s}",
        "{kind: bus_shorted, bus: drive, at: 1.9 s}",
    ),
    "a loop that is told": (
        "cart",
        "{kind: stop_pressed, at: 1.9 s}",
        "{kind: loop_open, at: 1.9 s}",
    ),
    "an error frame": (
        "cart",
        "{kind: bus_shorted, bus: drive, at: 1.9 s}",
        "{kind: bus_dominant, bus: drive, at: 1.9 s}",
    ),
    "what waited": (
        "cart, no error frames",
        "{kind: bus_shorted, bus: drive, at: 1.9 s, for: 700 ms}",
        "{kind: bus_dominant, bus: drive, at: 1.9 s, for: 700 ms}",
    ),
    "what a second recorder hears": (
        "carrier, recorded twice",
        "{kind: recorder_unplugged, bus: machine, at: 2.9 s}",
        "{kind: bus_shorted, bus: machine, at: 2.9 s}",
    ),
}


def test_ties_are_between_kinds_that_there_are() -> None:
    assert {side.kind for tie in TIES for side in tie} <= set(FAULT_KINDS)
    assert all(len({side.kind for side in tie}) == len(tie) for tie in TIES)


@pytest.mark.parametrize("name", SAME)
def test_the_same_frames_and_the_truth_names_all_others(tmp_path: Path, name: str) -> None:
    vehicle, faults = SAME[name]
    trips = [driven(tmp_path, SCRIPTS[vehicle], fault, SEED) for fault in faults]
    kinds = {trip.fault["kind"] for trip in trips}
    for one, other in combinations(trips, 2):
        assert not distances(one, other), (one.fault["kind"], other.fault["kind"])
    for trip in trips:
        assert set(trip.fault["tie_with"]) == kinds - {trip.fault["kind"]}


@pytest.mark.parametrize("name", TOLD)
def test_what_frames_tell_apart_is_no_tie(tmp_path: Path, name: str) -> None:
    vehicle, *faults = TOLD[name]
    one, other = (driven(tmp_path, SCRIPTS[vehicle], fault, SEED) for fault in faults)
    assert distances(one, other)
    assert other.fault["kind"] not in one.fault["tie_with"]
    assert one.fault["kind"] not in other.fault["tie_with"]


@pytest.fixture(scope="module")
def carried(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Trip]:
    """The carrier's trip without a fault, under an empty name, and with the examples that are tied on it."""
    folder = tmp_path_factory.mktemp("carrier")
    names = {name for pair in TIES_ON_CARRIER for name in pair} | TIED_OTHERWISE_ON_CARRIER
    weak = {"recorder_overload", "sensor_contact", "node_restart", "node_restart, a dip"}
    trips = {"": carrier_trip_of(folder, None, SEED)}
    return trips | {name: carrier_trip_of(folder, name, SEED) for name in sorted(names | weak)}


def test_the_carrier_ties_what_is_stated_and_nothing_else(carried: dict[str, Trip]) -> None:
    same = [
        {one, other} for one, other in combinations(carried, 2) if not distances(carried[one], carried[other])
    ]
    assert sorted(map(sorted, same)) == sorted(map(sorted, TIES_ON_CARRIER))


def test_the_truth_of_the_carrier_names_its_ties(carried: dict[str, Trip]) -> None:
    stated = {name: set(trip.fault["tie_with"]) for name, trip in carried.items() if name}
    for one, other in TIES_ON_CARRIER:
        assert kind_of(other) in stated[one]
        assert kind_of(one) in stated[other]
    tied = set().union(*TIES_ON_CARRIER, TIED_OTHERWISE_ON_CARRIER)
    assert {name for name, kinds in stated.items() if kinds} == tied


@pytest.mark.parametrize("seed", range(2))
def test_a_contact_opens_while_its_fault_lasts(tmp_path: Path, seed: int) -> None:
    fault = "{kind: sensor_contact, signal: PedalState.Throttle, share: 1 %, at: 0.5 s, for: 100 ms}"
    script = TRIP.partition("  - {at: 1.3 s")[0].replace("duration: 3 s", "duration: 0.7 s")
    told = driven(tmp_path, script, fault, seed)
    pedal = told.run.heard("PedalState").within(0.5, 0.62)["Throttle"]
    assert 127.5 in pedal.tolist()  # all bits


@pytest.mark.parametrize(("ending", "tied"), [("log", []), ("trc", ["recorder_unplugged"])])
def test_some_captures_hold_no_error_frames(tmp_path: Path, ending: str, tied: list[str]) -> None:
    scenario = scenario_of(tmp_path, short_drive(0.5), "{kind: wrong_bit_rate, bus: drive}")
    outcome = simulate_to_file(scenario, str(tmp_path / f"trip.{ending}"))
    (fault,) = yaml.safe_load(Path(outcome.truth_path).read_text(encoding="utf-8"))["faults"]
    assert fault["tie_with"] == tied
