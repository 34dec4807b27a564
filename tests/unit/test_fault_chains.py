"""What follows from a fault stands in the truth, each with its reason; times are compared with frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import yaml

from canmap.simulator.cart.chronicle import Chronicle, Happened
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.truth import truth_text
from canmap.vocabulary.record_types import AxisState
from tests.simulated import CART_FOLDER, Run, run, scenario_of, short_drive
from tests.streams import inspected

if TYPE_CHECKING:
    from pathlib import Path

WATCHING = "computer: {withdraws_after: 200 ms}\n"
STOPPED = "{kind: message_stopped, message: SteerFeedback, at: 5 s, for: 420 ms}"


def links(fault: dict) -> list[tuple[str, str, int | None]]:
    return [(link["what"], link["of"], link["after"]) for link in fault["chain"]]


def time_of(fault: dict, what: str, of: str | None = None) -> float:
    return next(link["at_s"] for link in fault["chain"] if link["what"] == what and of in {None, link["of"]})


def runs(
    folder: Path, faults: str, seconds: float = 6.5, head: str = "", script: str = "", seed: int = 5
) -> Run:
    """A drive with a fault, or with several."""
    text = head + short_drive(seconds) + "".join(f"  - {line}\n" for line in script.splitlines())
    return run(scenario_of(folder, text, faults, seed))


def test_nobody_notices_unless_the_scenario_says_so(tmp_path: Path) -> None:
    told = runs(tmp_path, STOPPED)
    assert links(told.fault) == [
        ("fault began", "message_stopped", None),
        ("fault ended", "message_stopped", 0),
    ]
    assert "computer" not in told.truth
    assert set(told.heard("SteerFeedback").within(5.5, 6.4)["State"]) == {AxisState.ACTIVE}


def test_the_computer_withdraws_and_the_driver_brakes(tmp_path: Path) -> None:
    script = "{at: 0.3 s, driver: watch, after: 0.9 s, with: [brake, wheel]}"
    told = runs(tmp_path, STOPPED, 7.8, WATCHING, script)
    assert told.truth["computer"] == {"withdraws_after_s": 0.2, "by": "enable"}
    withdrawn = [(Happened.DEMAND_WITHDRAWN, each, 1) for each in ("BrakeCommand", "DriveCommand")]
    assert links(told.fault)[:5] == [
        ("fault began", "message_stopped", None),
        ("feedback silent", "SteerFeedback", 0),
        *withdrawn,
        ("demand withdrawn", "SteerCommand", 1),
    ]
    left = {of: after for what, of, after in links(told.fault) if what == "axis left active"}
    assert left == {"brake": 2, "drive": 3, "steering": 4}
    last_s = told.heard("SteerFeedback").within(4, 5.1).t_s[-1]
    assert time_of(told.fault, "feedback silent") == pytest.approx(last_s + 0.2, abs=0.02)
    demand = told.heard("SteerCommand")
    taken_back_s = demand.t_s[(demand.t_s > 4) & (demand["Enable"] == 0)][0]
    assert time_of(told.fault, "demand withdrawn") == pytest.approx(taken_back_s, abs=0.03)
    braked_s = time_of(told.fault, "driver braked")
    assert braked_s == pytest.approx(time_of(told.fault, "axis left active", "drive") + 0.9, abs=0.02)
    pedal = told.heard("PedalState")
    assert set(pedal.within(4.5, braked_s)["BrakePedal"]) == {0}
    assert pedal.t_s[(pedal.t_s > 4) & (pedal["BrakePedal"] > 0)][0] == pytest.approx(braked_s, abs=0.03)
    assert links(told.fault)[-1][0] == "standstill"
    stands_s = told.heard("WheelSpeeds").within(time_of(told.fault, "standstill") + 0.02, 8)
    assert set(stands_s["RearLeft"]) == {0}
    held = told.heard("SteerFeedback").within(braked_s + 0.6, 8)["Torque"]
    assert held.std() > 0.2  # a hand on the wheel


def test_a_computer_that_falls_silent_lets_the_kit_brake(tmp_path: Path) -> None:
    told = runs(tmp_path, STOPPED, 6.9, "computer: {withdraws_after: 150 ms, by: silence}\n")
    chain = told.fault["chain"]
    assert len(told.heard("DriveCommand").within(5.22, 8.0)) == 0
    braked = next(link for link in chain if link["what"] == "kit braked")
    first = chain[braked["after"]]
    assert (first["what"], first["reason"]) == ("axis left active", "demand lost")
    assert chain[first["after"]]["what"] == "demand withdrawn"
    steering = told.heard("SteerFeedback")
    seen_s = steering.t_s[(steering.t_s > 4) & (steering["State"] != AxisState.ACTIVE)][0]
    assert seen_s > first["at_s"]  # told once it was silent no more
    stands = chain[-1]
    assert (stands["what"], chain[stands["after"]]["what"]) == ("standstill", "kit braked")


def test_two_faults_at_once_have_a_chain_each(tmp_path: Path) -> None:
    scenario = scenario_of(tmp_path, short_drive(6.5))
    both = load_scenario(scenario.path, str(CART_FOLDER / "faults" / "two_at_once.yaml"))
    absent, restart = run(both).truth["faults"]
    assert {"axis left active", "kit braked"} <= {what for what, *_ in links(absent)}
    assert links(restart) == [
        ("fault began", "node_restart", None),
        ("node off", "BrakeNode", 0),
        ("axis left active", "brake", 1),
        ("fault ended", "node_restart", 0),
        ("node on", "BrakeNode", 3),
    ]
    assert absent["tie_with"] == ["message_stopped"]
    assert restart["tie_with"] == []


def test_a_chain_is_written_as_any_yaml() -> None:
    """Every link is told, numbers and words as the YAML library writes them."""
    reason = "a: reason, " * 12
    chain = [
        {"at_s": at_s, "what": what, "of": "Steer: Node", **more, "after": after}
        for after, at_s in ((None, -0.012358), (0, 0.0), (1, 1e-05), (2, 1.2e-05), (3, 59.8), (0, 1e-06))
        for what in ("node bus-off", "node back on bus")
        for more in ({}, {"reason": reason}, {"reason": "null"})
    ]
    faults = [{"kind": "wiring", "tie_with": [], "chain": chain}, {"kind": "wiring", "chain": []}]
    described = {"capture": "a.log", "seed": 1, "faults": faults, "script": [], "far_capture": "b.log"}
    text = truth_text(described)
    assert yaml.safe_load(text) == described
    body = text.split("\n", maxsplit=1)[1]
    assert body == yaml.dump(described, Dumper=yaml.SafeDumper, sort_keys=False, width=110)


def test_both_ways_to_run_tell_the_same_chain(tmp_path: Path) -> None:
    fault = "{kind: node_restart, node: DriveNode, at: 3 s, for: 300 ms}"
    chains = []
    for live in (False, True):
        scenario = scenario_of(tmp_path, short_drive(3.9), fault)
        chains.append(run(scenario, live=live).fault["chain"])
    ahead, beside = ([(link["what"], link["of"], link["after"]) for link in chain] for chain in chains)
    assert ahead == beside
    moments = ([link["at_s"] for link in chain] for chain in chains)
    np.testing.assert_allclose(*moments, atol=0.011)  # a step of the vehicle


def test_a_dip_of_the_supply_comes_before_what_it_leads_to(tmp_path: Path) -> None:
    fault = "{kind: node_restart, node: SteerNode, supply_dip: 8 V, at: 5 s, for: 300 ms}"
    told = runs(tmp_path, fault, 6.0, WATCHING)
    assert links(told.fault)[:4] == [
        ("fault began", "node_restart", None),
        ("supply low", "SteerNode", 0),
        ("node off", "SteerNode", 1),
        ("axis left active", "steering", 2),
    ]
    assert time_of(told.fault, "supply low") == 4.6
    silent = next(link for link in told.fault["chain"] if link["what"] == "feedback silent")
    assert told.fault["chain"][silent["after"]]["what"] == "node off"
    assert silent["at_s"] == pytest.approx(5.2, abs=0.02)


def test_nothing_keeps_to_the_steps_of_the_vehicle(tmp_path: Path) -> None:
    """It moves every 10 ms; faults begin and end when they are told to, nodes fall when they are empty.

    By hand, C (U0^2 - U1^2) / 2 P from 13.4 to 6.5 V: 8.067, 17.164 and 30.208 ms.
    """
    run = runs(tmp_path, "{kind: node_restart, node: BrakeNode, at: 2.0034 s, for: 301.3 ms}", 3)
    zero_s = run.fault["start_s"] - 2.0034
    told_s = [link["at_s"] - zero_s for link in run.fault["chain"] if link["of"] == "BrakeNode"]
    assert told_s == pytest.approx([2.0034, 2.3047], abs=2e-6)
    (again_s,) = [t_s for t_s in run.times(run.rows("can0", 0x7A1)) if t_s > 2]
    assert 2.3047 + 0.012 <= again_s < 2.3047 + 0.0145  # its boot message
    places = set()
    for seed in range(3):
        cut = runs(tmp_path, "{kind: supply_cut, at: 2 s}", 2.2, seed=seed)
        off_s = [link["at_s"] for link in cut.fault["chain"] if link["what"] == "node off"]
        assert np.diff(off_s) == pytest.approx([0.009097, 0.013044], abs=2e-6)
        places.add(round((off_s[0] - cut.fault["start_s"]) % 0.01, 4))
    assert len(places) == 3


def test_what_the_script_leads_to_is_no_fault(tmp_path: Path) -> None:
    script = "{at: 3 s, driver: hold wheel, torque: 7 Nm, for: 0.4 s}\n{at: 4 s, computer: hand back}\n"
    script += (
        "{at: 5 s, computer: enable}\n{at: 5.5 s, operator: press stop}\n{at: 5.8 s, operator: release stop}"
    )
    told = runs(tmp_path, "{kind: railed_pedal, level: 110 %, at: 5.9 s}", 6.5, script=script)
    assert links(told.fault) == [("fault began", "railed_pedal", None)]
    held, back, enabled, pressed, released = told.truth["script"][-5:]
    assert [what for what, *_ in links(held)] == ["ordered", *["axis left active"] * 3]
    assert {link["reason"] for link in held["chain"][1:]} == {"driver override"}
    assert "chain" not in back  # it was not active any more
    assert "chain" not in enabled
    happened = [what for what, *_ in links(pressed)]
    assert happened[:3] == ["ordered", "stop loop opened", "relay opened"]
    assert happened.count("node off") == 3
    assert happened[-1] == "stop loop closed"
    assert "chain" not in released


def test_a_driver_who_was_not_told_to_watch_keeps_his_feet_off(tmp_path: Path) -> None:
    told = runs(tmp_path, "{kind: supply_cut, at: 5 s, for: 500 ms}", 8.0)
    assert set(told.heard("PedalState").within(5.6, 8.0)["BrakePedal"]) == {0}
    speed = told.heard("WheelSpeeds").within(6.0, 8.0)["RearLeft"]
    assert np.diff(speed).mean() < 0  # it coasts
    assert speed[-1] > 3


def test_people_who_watch_and_all_physics_leave_a_clean_drive_clean(tmp_path: Path) -> None:
    head = WATCHING + "vehicle: {rim_mass: 1.2 kg, hold_up: yes}\n"
    script = "  - {at: 0.3 s, driver: watch, with: [brake, wheel]}\n"
    script += "  - {at: 4.5 s, computer: step, angle: 90 deg}\n"
    scenario = scenario_of(tmp_path, head + short_drive(5.5) + script)
    result, _ = inspected([run(scenario).chunk])
    assert [finding.text for finding in result.findings if finding.severity != "note"] == []
    what = {happening.what for happening in scenario.setup.plan.chronicle.happenings}
    assert what == {Happened.RELAY_CLOSED, Happened.NODE_ON}


def test_reasons_are_found_by_their_subject_and_age() -> None:
    chronicle = Chronicle()
    old = chronicle.note(0, Happened.FAULT_BEGAN, "old", about=("A",))
    assert chronicle.about(5, "A", "B") == old
    chronicle.end(old, 10)
    assert chronicle.about(1_000_000_010, "A", "B") == old
    assert chronicle.about(1_000_000_011, "A", "B") is None
    other = chronicle.note(20, Happened.FAULT_BEGAN, "other", about=("B",))
    assert chronicle.about(30, "A", "B") == other  # what lasts comes before what is over
    follows = chronicle.note(40, Happened.NODE_OFF, "N", after=other)
    assert chronicle.chain(other) == [other, follows]
    assert chronicle.chain(old) == [old]
