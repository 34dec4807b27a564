"""Scenario and fault files: every mistake is reported at once, with file, line and column."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import FaultyFileError, SpecError, UsageError
from canmap.mapping.loader import load_spec
from canmap.simulator.scenario.fault_kinds import FAULT_KINDS
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.scenario.script import DEEDS
from tests.carrier_examples import CARRIER
from tests.simulated import DRIVE, SCENARIOS, scenario_of
from tests.streams import CART, ROOT, VEHICLE

if TYPE_CHECKING:
    from pathlib import Path

HEAD = f"scenario: Test\nspec: {CART}\nduration: 1 s\nscript:\n"


def complaints(folder: Path, script: str, faults: str | None = None) -> list[str]:
    with pytest.raises(FaultyFileError) as caught:
        scenario_of(folder, script, faults)
    return [str(fault).removeprefix(f"{folder}/") for fault in caught.value.faults]


def line(text: str) -> str:
    return f"{HEAD}  - {text}\n"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{at: 1 s}", "5:5: A line of the script says who acts: one of operator, driver or computer."),
        ("{at: 1 s, driver: stop, computer: stop}", "5:5: A line of the script says who acts"),
        ("{at: 1 s, driver: brak}", "5:23: The driver has no command `brak`; it is one of drive, coast"),
        ("{at: 1 s, computer: drive}", "5:5: A line of the script needs the key `speed`."),
        ("{at: 1 s, computer: drive, speed: 3}", "5:39: The number has no unit"),
        ("{at: 1 s, computer: stop, speed: 3 m/s}", "5:31: A line of the script has no key `speed`"),
        ("{at: -1 s, computer: stop}", "5:10: The time is not between 0 s and a week."),
        ("{computer: stop}", "5:5: A line of the script needs the key `at`."),
        ("{at: 1 s, driver: shift, gear: fast}", "5:36: `fast` is not a gear"),
        ("{at: 1 s, driver: watch, with: [horn]}", "5:37: `horn` is not what he reacts with"),
        ("stop", "5:5: A line of the script must be a mapping"),
    ],
)
def test_a_mistake_in_the_script_has_its_place(tmp_path: Path, text: str, complaint: str) -> None:
    (found,) = complaints(tmp_path, line(text))
    assert found.startswith(f"scenario.yaml:{complaint}")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{at: 1 s}",
         "2:5: A fault needs the key `kind`."),
        ("{kind: message_stoped, at: 1 s}",
         "2:12: `message_stoped` is not a kind of fault; did you mean"),
        ("{kind: message_stopped, at: 1 s}",
         "2:5: A fault of kind message_stopped needs the key `message`."),
        ("{kind: message_stopped, message: SteerFedback, at: 1 s}",
         "2:38: No description has a message `SteerFedback`; did you"),
        ("{kind: message_stopped, message: ChassisSteering, at: 1 s}",
         "2:5: ChassisSteering is the gateway's copy"),
        ("{kind: demand_absent, message: KitState, at: 1 s}",
         "2:5: KitState is not a demand"),
        ("{kind: sender_loss, message: KitState, share: 120 %, at: 1 s}",
         "2:5: A share is at most 100 %."),
        ("{kind: wiring, share: 10 %, node: Nobody, at: 1 s}",
         "2:39: `Nobody` is not a node of the drive bus"),
        ("{kind: two_senders, message: BodyState, at: 1 s}",
         "2:5: BodyState is not a cyclic message of the drive bus"),
        ("{kind: wrong_scale, signal: SteerFeedback.Angle, factor: 0}",
         "2:5: The factor must not be zero"),
        ("{kind: wrong_byte_order, signal: SteerFeedback.Torque}",
         "2:5: The bytes of SteerFeedback.Torque cannot be swapped"),
        ("{kind: wrong_sign, signal: ChassisSteering.Angle}",
         "2:5: ChassisSteering is a copy of what the kit sends"),
        ("{kind: wrong_sign, signal: SteerFeedback.Angle, at: 1 s}",
         "2:53: A fault of kind wrong_sign has no key `at`"),
        ("{kind: stale_demand, message: KitState, at: 1 s}",
         "2:5: KitState is not a demand"),
        ("{kind: demand_refused, because: jump, message: BrakeCommand, at: 1 s}",
         "2:5: Only SteerCommand is refused for a jump."),
        ("{kind: loop_chatter, open_for: 2 ms, at: 1 s}",
         "2:5: The loop opens for 10 ms or longer"),
        ("{kind: loop_chatter, every: 15 ms, at: 1 s}",
         "2:5: The loop opens no more often than it could close"),
        ("{kind: sensor_contact, signal: ChassisSteering.Angle, share: 5 %, at: 1 s}",
         "2:5: ChassisSteering is not a cyclic message that its own node sends."),
        ("{kind: sensor_contact, signal: SteerFeedback.Angle, share: 500 %, at: 1 s}",
         "2:5: A share is at most 100 %."),
        ("{kind: scale_changed, signal: SteerFeedback.Counter, factor: 2, at: 1 s}",
         "2:5: SteerFeedback.Counter is made for each frame"),
        ("{kind: scale_changed, signal: SteerFeedback.Angle, factor: 0, at: 1 s}",
         "2:5: The factor must not be zero."),
        ("{kind: changed_settings, firmware: 24, period: 5 ms}",
         "2:5: A changed period takes both keys, `message` and `period`."),
        ("{kind: changed_settings, firmware: 24, message: KitEvent, period: 5 ms}",
         "2:5: KitEvent has no period."),
        ("{kind: false_override, at: 1 s}",
         "2:5: A false override takes one of the keys `torque` and `rim_mass`."),
        ("{kind: false_override, before: 1 Nm, rim_mass: 5 kg, at: 1 s}",
         "2:5: `before` goes with `torque`."),
        ("stopped",
         "2:5: A fault must be a mapping"),
    ],
)  # fmt: skip
def test_a_mistake_in_the_faults_has_its_place(tmp_path: Path, text: str, complaint: str) -> None:
    (found,) = complaints(tmp_path, DRIVE, text)
    assert found.startswith(f"faults.yaml:{complaint}")


def test_another_kind_of_file_is_one_mistake(tmp_path: Path) -> None:
    with pytest.raises(SpecError) as raised:
        load_spec(CART.parent / "scenarios" / "short_drive.yaml")
    assert [fault.text for fault in raised.value.faults] == [
        "This is not a spec, which needs `vehicle` and `buses`: is it the wrong file?"
    ]
    (found,) = complaints(tmp_path, CART.read_text(encoding="utf-8"))
    assert found.endswith(": is it the wrong file?")


def test_all_mistakes_come_together(tmp_path: Path) -> None:
    script = line("{at: 1 s, driver: fly}") + "  - {at: 2 s, computer: drive}\nseed: 99999999999\n"
    found = complaints(tmp_path, script, "{kind: nothing, at: 1 s}")
    assert len(found) == 4


def test_what_the_vehicle_is_comes_from_its_spec(tmp_path: Path) -> None:
    assert (
        "duration"
        in complaints(tmp_path, f"scenario: A\nspec: {CART}\nscript: [{{at: 0 s, driver: stop}}]\n")[0]
    )
    (found,) = complaints(tmp_path, HEAD.replace(str(CART), str(VEHICLE)) + "  - {at: 0 s, driver: stop}\n")
    assert "This spec lacks" in found
    assert "the simulator needs a spec of the orchard cart" in found
    assert (
        "nothing.yaml"
        in complaints(tmp_path, HEAD.replace(str(CART), "nothing.yaml") + "  - {at: 0 s, driver: stop}\n")[0]
    )
    scenario = scenario_of(
        tmp_path, f"{DRIVE}vehicle: {{mass: 500 kg, rolling_resistance: 2 %}}\nrecorder: {{batch: 1 ms}}\n"
    )
    measures = scenario.setup.parameters
    assert (measures.mass, measures.rolling_resistance, measures.steering_ratio) == (500, 0.02, 15.4)
    assert scenario.setup.plan.recording.batch_ns == 1_000_000
    assert (scenario.setup.withdraws_ns, scenario.setup.hold_up) == (0, True)


def test_lines_are_repeated_to_the_end(tmp_path: Path) -> None:
    repeated = "repeat: {from: 0.2 s, every: 300 ms}\n"
    script = f"{line('{at: 0 s, operator: switch on}')}  - {{at: 0.2 s, driver: stop}}\n{repeated}"
    times = [t_ns for t_ns, _ in scenario_of(tmp_path, script).setup.plan.actions]
    assert times == [0, 200_000_000, 500_000_000, 800_000_000]


def test_a_seed_may_be_given(tmp_path: Path) -> None:
    assert scenario_of(tmp_path, seed=8).seed == 8
    with pytest.raises(UsageError, match="The seed -1 is not between"):
        scenario_of(tmp_path, seed=-1)


def test_every_shipped_file_loads() -> None:
    scenarios = sorted(SCENARIOS.glob("*.yaml"))
    faults = sorted((SCENARIOS.parent / "faults").glob("*.yaml"))
    assert len(scenarios) >= 8
    for path in faults:
        assert load_scenario(str(scenarios[0]), str(path)).faults
    done = {(each.who, each.what) for path in scenarios for each in load_scenario(str(path)).lines}
    assert len(done) >= 12
    assert {who for who, _ in done} == set(DEEDS)
    assert all(kind.effect.__doc__ for kind in FAULT_KINDS.values())


def test_what_begins_after_the_end_is_refused(tmp_path: Path) -> None:
    script = f"{HEAD}  - {{at: 0.9 s, computer: stop}}\n  - {{at: 1 s, computer: stop}}\n"
    faults = "\n  - ".join(f"{{kind: message_stopped, message: KitState, at: {at} s}}" for at in (0.9, 20))
    assert complaints(tmp_path, script, faults) == [
        "scenario.yaml:6:10: This is done after the end of the scenario: its duration is 1 s.",
        "faults.yaml:3:52: This begins after the end of the scenario: its duration is 1 s.",
    ]


def test_a_spec_that_has_changed_is_read_again(tmp_path: Path) -> None:
    spec = tmp_path / "carrier.yaml"
    for name in ("carrier.dbc", "garden_carrier.yaml"):
        shutil.copy(CARRIER.parent / name, spec if name == CARRIER.name else tmp_path)
    whole = spec.read_text(encoding="utf-8").replace("../../shared/", f"{ROOT}/shared/")
    spec.write_text(whole, encoding="utf-8")
    script = HEAD.replace(str(CART), str(spec)) + "  - {at: 0 s, operator: switch on}\n"
    first, second = (scenario_of(tmp_path, script).spec for _ in range(2))
    assert first is second
    spec.write_text(whole.replace("channel: can0", "channel: can10"), encoding="utf-8")
    assert scenario_of(tmp_path, script).spec.buses["machine"].channel == "can10"
    spec.write_text(whole.replace("carrier.dbc", "lost.dbc"), encoding="utf-8")
    assert "lost.dbc" in complaints(tmp_path, script)[0]
