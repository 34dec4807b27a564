"""The garden carrier: its frames as cantools reads them, its records against what it really did, its faults.

Authorities: cantools, for what its frames say; the layout of a 29-bit identifier, SAE J1939-21 (priority 3
bits, reserved, data page, PDU format, PDU specific, source address; from memory); the motion of the simulated
vehicle itself, for the records. The sums are worked out here byte by byte, as its README says.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cantools
import numpy as np
import pytest

from canmap.base.errors import FaultyFileError
from canmap.frames.chunks import join
from canmap.simulator.recorders import EPOCH_NS
from canmap.simulator.scenario.scenario import load_scenario
from canmap.simulator.wires import recorded, recorded_live
from tests.simulated import MS, run, scenario_of
from tests.streams import ROOT, inspected, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.simulator.cart.world import World
    from canmap.simulator.scenario.scenario import Scenario

SPEC = ROOT / "specs" / "garden_carrier" / "garden_carrier.yaml"
SHORT = SPEC.parent / "scenarios" / "short_lane.yaml"
DATABASE = cantools.database.load_file(str(SPEC.parent / "carrier.dbc"))
SOURCES = {"SteerUnit": 0x81, "MoveUnit": 0x82, "PowerUnit": 0x83, "Guidance": 0x90}
SUMMED = {"SteerReport": 256, "SteerRequest": 256, "MoveReport": 16, "MoveRequest": 16}
KIT = {"SteerReport", "UnitHealth", "MoveReport", "WheelReport", "CarrierState"}
CLAIMS = {0x18EEFF00 | source for source in SOURCES.values()}


@cache
def whole() -> FrameChunk:
    """The frames of the short lane."""
    return join([piece for piece in recorded(load_scenario(str(SHORT)).setup) if len(piece)])


def faulty(folder: Path, fault: str, script: str | None = None) -> Scenario:
    """The short lane with one fault."""
    text = script or SHORT.read_text(encoding="utf-8")
    return scenario_of(folder, text.replace("../garden_carrier.yaml", str(SPEC)), f"{{kind: {fault}}}")


def found(scenario: Scenario) -> dict[str, list]:
    """What an inspection of a run finds that is no note, by kind."""
    result, _ = inspected(recorded(scenario.setup), spec_of(SPEC))
    kinds: dict[str, list] = {}
    for finding in result.findings:
        if finding.severity != "note":
            kinds.setdefault(str(finding.kind), []).append(finding)
    return kinds


def payloads(name: str) -> list[bytes]:
    """All payloads of a message."""
    chunk = whole()
    rows = np.flatnonzero(chunk.can_id == DATABASE.get_message_by_name(name).frame_id)
    return [chunk.payload[row, : chunk.length[row]].tobytes() for row in rows]


def test_identifiers_have_29_bits_and_tell_their_source() -> None:
    chunk = whole()
    assert chunk.channels == ("can0",)
    assert chunk.extended.all()
    described = {message.frame_id: message for message in DATABASE.messages}
    assert set(chunk.can_id.tolist()) == set(described) | CLAIMS
    for can_id, message in described.items():
        assert message.is_extended_frame
        assert (can_id & 0xFF, can_id >> 16 & 0x3FF) == (SOURCES[message.senders[0]], 0x0FF)
        assert (can_id >> 26) in {2, 3, 6, 7}
    for claim in CLAIMS:  # once each, when its node starts
        (row,) = np.flatnonzero(chunk.can_id == claim)
        assert chunk.length[row] == 8
        assert int(chunk.t_ns[row]) - EPOCH_NS < 20 * MS


@pytest.mark.parametrize(("name", "values"), SUMMED.items())
def test_frames_are_counted_and_summed(name: str, values: int) -> None:
    message = DATABASE.get_message_by_name(name)
    counters = []
    for payload in payloads(name):
        told = message.decode(payload, decode_choices=False)
        total = SOURCES[message.senders[0]] + sum(payload[:-1])
        assert told["Sum"] == payload[-1] == 255 - total % 256
        counters.append(told["Count"])
    assert len(counters) > 150
    assert set(np.diff(counters) % values) == {1}


def test_records_are_what_cantools_reads() -> None:
    fields = {
        "drive": ("MoveReport", {"speed": ("Speed", 1.0), "motor_speed": ("MotorTurns", np.pi / 30)}),
        "steering_demand": ("SteerRequest", {"road_angle": ("RoadAngle", np.pi / 180)}),
        "drive_demand": ("MoveRequest", {"throttle": ("Throttle", 0.01)}),
        "brake_demand": ("MoveRequest", {"effort": ("Brake", 0.01)}),
        "wheels": ("WheelReport", {"rear_left": ("RearLeft", 1.0), "rear_right": ("RearRight", 1.0)}),
        "battery": ("PowerState", {"voltage": ("Voltage", 1.0), "current": ("Current", 1.0)}),
    }
    records = inspected([whole()], spec_of(SPEC), fields)[0].records
    for record, (name, signals) in fields.items():
        message = DATABASE.get_message_by_name(name)
        told = [message.decode(payload, decode_choices=False) for payload in payloads(name)]
        for field, (signal, factor) in signals.items():
            values = getattr(records[record], field).values
            read = np.array([float(each[signal]) for each in told])
            np.testing.assert_allclose(values, read * factor, rtol=1e-12, atol=1e-15, err_msg=field)


def test_records_are_what_the_carrier_did() -> None:
    """Within half a count, the sensor's own resolution or noise, and what changes in a step of 10 ms."""
    setup = load_scenario(str(SHORT)).setup
    did: list[tuple[int, float, float]] = []

    def look(world: World) -> None:
        did.append((world.t_ns, world.cart.vehicle.speed, world.cart.wheel_angle))

    for t_ns in range(3400 * MS, 4900 * MS, 10 * MS):
        setup.plan.at(t_ns, look)
    chunk = join([piece for piece in recorded(setup) if len(piece)])
    records = inspected([chunk], spec_of(SPEC), ("drive", "steering"))[0].records
    t_ns, speed, wheel_angle = np.array(did).T
    ratio, late_ns = setup.parameters.steering_ratio, 1 * MS  # on the bus, and until the recorder has it
    for column, stamps, truth, allowed in (
        (records["drive"].speed, records["drive"].stamp_ns, speed, 0.0005 + 0.002),
        (
            records["steering"].road_angle,
            records["steering"].stamp_ns,
            wheel_angle / ratio,
            np.radians(0.005 + 2.45 * 0.01),
        ),
    ):
        moments = stamps - EPOCH_NS - late_ns
        meant = column.valid & (moments > t_ns[0]) & (moments < t_ns[-1])
        true = np.interp(moments[meant], t_ns, truth)
        slack = allowed + 1.2 * np.abs(np.diff(truth)).max()
        assert len(true) >= 29  # 1.5 s, every 50 ms or more often
        assert np.abs(column.values[meant] - true).max() <= slack
        assert truth.max() - truth.min() > 15 * slack  # so the check tells something


@pytest.mark.parametrize("seed", [0, 7])
def test_a_run_without_faults_is_clean(seed: int) -> None:
    result, _ = inspected(recorded(load_scenario(str(SHORT), seed=seed).setup), spec_of(SPEC))
    assert [finding.text for finding in result.findings if finding.severity != "note"] == []
    assert result.capture.frames > 1400


def test_the_lever_of_the_driver_is_an_override(tmp_path: Path) -> None:
    """Truth: the script, in which the driver pulls the lever at 5 s; all three axes yield, as they should."""
    pulled = SHORT.read_text(encoding="utf-8").replace("../garden_carrier.yaml", str(SPEC)).rstrip()
    path = tmp_path / "pulled.yaml"
    path.write_text(
        f"{pulled}\n  - {{at: 5 s, driver: press brake, pedal: 40 %, for: 1 s}}\n", encoding="utf-8"
    )
    result, _ = inspected(recorded(load_scenario(str(path)).setup), spec_of(SPEC))
    overrides = [finding for finding in result.findings if finding.kind == "override"]
    assert {finding.text.split()[0] for finding in overrides} == {"steering", "drive", "brake"}
    assert {finding.severity for finding in overrides} == {"note"}
    assert all(5.1 <= result.seconds(finding.start_ns) <= 5.5 for finding in overrides)


def test_the_bus_ahead_and_the_bus_beside_agree() -> None:
    beside = join([piece for piece in recorded_live(load_scenario(str(SHORT)).setup, 250 * MS) if len(piece)])
    assert len(beside) == pytest.approx(len(whole()), abs=2)
    np.testing.assert_array_equal(np.unique(beside.can_id), np.unique(whole().can_id))


@pytest.mark.parametrize(
    ("fault", "kinds", "said"),
    [
        ("message_stopped, message: SteerReport, at: 4 s, for: 700 ms", {"stale"}, "SteerReport was silent"),
        ("message_stopped, message: CarrierState, at: 5 s, for: 1 s", {"stale"}, "CarrierState was silent"),
        ("frozen_value, message: SteerReport, at: 4.2 s", {"frozen", "tracking"}, "steering.road_angle"),
        (
            "node_restart, node: SteerUnit, at: 5 s, for: 1 s",
            {"stale", "state", "restart"},
            "Every message of SteerUnit was silent",
        ),
        ("supply_cut, at: 5 s, for: 1 s", {"stale", "restart"}, "All that relay kit feeds was silent"),
        ("stop_pressed, at: 5 s, for: 1 s", {"stale"}, "All that relay kit feeds fell silent"),
        ("kit_fault, axis: brake, at: 5 s", {"fault_reported"}, "Brake tripped"),
        ("jammed_linkage, at: 4.5 s", {"tracking"}, "steering.road_angle was up to"),
        ("sender_loss, message: SteerReport, share: 20 %, at: 4 s", {"loss"}, "frames of SteerReport"),
        ("recorder_gap, at: 5 s, for: 1.03 s", {"recording_gap"}, "Nothing was recorded on channel can0"),
        ("clock_step, step: -1 s, at: 5 s", {"time_order"}, "The stamps stepped back"),
        (
            "demand_absent, message: MoveRequest, at: 3 s, for: 400 ms",
            {"stale"},
            "MoveRequest was silent for",
        ),
        (
            "demand_refused, message: SteerRequest, because: checksum, at: 3 s, for: 400 ms",
            {"checksum"},
            "SteerRequest.Sum was wrong",
        ),
        (
            "babbling_node, identifier: 0x4000001, at: 3 s, for: 400 ms",
            {"stale"},
            "Every message of bus machine was silent",
        ),
    ],
)
def test_a_fault_is_found_as_what_it_is(tmp_path: Path, fault: str, kinds: set[str], said: str) -> None:
    at_the_bus = fault.startswith(("demand", "babbling"))
    text = SHORT.read_text(encoding="utf-8")
    if at_the_bus:  # the bus runs with the vehicle: slower, so shorter
        text = text[: text.index("  - {at: 4 s")].replace("10 s", "4 s")
    findings = found(faulty(tmp_path, fault, text))
    assert kinds <= set(findings) <= kinds | {"rate", "slew", "tracking"}, findings
    assert any(said in finding.text for kind in kinds for finding in findings[kind])


def test_the_stop_is_told_by_nobody(tmp_path: Path) -> None:
    told = run(faulty(tmp_path, "stop_pressed, at: 5 s"))
    assert told.fault["signal"] is None
    assert (told.fault["bus"], set(told.fault["messages"])) == ("machine", KIT)
    after = told.chunk.can_id[told.chunk.t_ns > EPOCH_NS + 5100 * MS]
    names = {DATABASE.get_message_by_frame_id(can_id).name for can_id in set(after.tolist())}
    assert names == {"SteerRequest", "MoveRequest", "PowerState"}


@pytest.mark.parametrize(
    ("fault", "complaint"),
    [
        ("link_lost, at: 1 s", "The fault link_lost does not apply to the garden carrier."),
        ("loop_chatter, at: 1 s", "The fault loop_chatter does not apply to the garden carrier."),
        (
            "wheel_dropout, wheel: FrontLeft, at: 1 s",
            "`FrontLeft` is not a wheel speed; it is one of RearLeft",
        ),
        (
            "demand_refused, message: SteerRequest, because: jump, at: 1 s",
            "No demand is refused for a jump.",
        ),
        (
            "sensor_contact, signal: SteerReport.Count, share: 10 %, at: 1 s",
            "SteerReport.Count is made for each frame",
        ),
        ("stop_pressed, button: radio, at: 1 s", "The garden carrier has no radio button."),
        ("node_restart, node: SteerNode, at: 1 s", "is not a node of the kit; it is one of SteerUnit or"),
        ("wiring, share: 1, node: Stranger, at: 1 s", "`Stranger` is not a node of the machine bus"),
        ("demand_absent, message: SteerReport, at: 1 s", "it is one of SteerRequest, MoveRequest."),
    ],
)
def test_what_it_has_no_part_for_is_refused(tmp_path: Path, fault: str, complaint: str) -> None:
    with pytest.raises(FaultyFileError) as caught:
        faulty(tmp_path, fault)
    (mistake,) = caught.value.faults
    assert complaint in str(mistake)


def test_every_shipped_file_loads() -> None:
    scenarios = sorted(SHORT.parent.glob("*.yaml"))
    assert len(scenarios) >= 4
    for path in sorted((SPEC.parent / "faults").glob("*.yaml")):
        assert load_scenario(str(SHORT), str(path)).faults
    assert all(load_scenario(str(path)).setup.kind.name == "garden carrier" for path in scenarios)
