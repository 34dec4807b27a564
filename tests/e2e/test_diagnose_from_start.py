"""`canmap diagnose` of what was never as described: another vehicle, another firmware, without a node."""

from __future__ import annotations

import re
from pathlib import Path

from tests.e2e.test_diagnose_command import CARRIER, CART, DROP, ROOT, SPEC, run, section

DAY_ONE = str(ROOT / "captures" / "day_one.log")


def test_a_capture_of_another_vehicle_is_told_as_that() -> None:
    status, text = run(DROP, "--spec", str(CARRIER / "garden_carrier.yaml"))
    assert status == 1
    assert "are not of one vehicle" in section(text, "Root cause")
    assert "bit rate" not in text


def test_what_is_not_as_described_from_the_start_is_an_episode() -> None:
    status, text = run(DAY_ONE, "--spec", SPEC)
    assert status == 1
    assert "Spec or description do not fit what is sent" in section(text, "Root cause")
    told = " ".join(section(text, "What happened").split())
    assert told.count("BatteryState.Voltage") == 1  # it left its range twice
    assert "1 more finding like it, the last at 3.427 s." in told


def without(capture: str, identifiers: str, path: Path) -> str:
    """A capture as it would be without some identifiers of the first bus, which stand apart by `|`."""
    gone = re.compile(rf" can0 ({identifiers})#")
    lines = Path(capture).read_text(encoding="ascii").splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not gone.search(line)), encoding="ascii")
    return str(path)


def test_of_several_nodes_that_never_came_each_is_named(tmp_path: Path) -> None:
    capture = without(DROP, "111|112|122|200", tmp_path / "two_nodes_less.log")
    text = " ".join(run(capture, "--spec", SPEC)[1].split())
    assert "No message of DriveNode came: PedalState and DriveFeedback." in text
    assert "No message of VehicleNode came: WheelSpeeds and BatteryState." in text
    assert "nobody sends it (DriveNode" in text  # and not a bus


def test_what_never_fitted_is_not_decided_by_how_the_driver_takes_over(tmp_path: Path) -> None:
    """Truth: captures/day_one.yaml has the voltage's bytes otherwise; a message is taken out."""
    spec = CART / "cart.yaml"
    for name in ("kit.dbc", "chassis.dbc"):
        (tmp_path / name).write_bytes((CART / name).read_bytes())
    said = re.sub(r"^overrides:\n(  .*\n)+", "", spec.read_text(encoding="utf-8"), flags=re.MULTILINE)
    limits = str(ROOT / "shared" / "small_vehicle_limits.yaml")
    (tmp_path / "cart.yaml").write_text(said.replace("../../shared/small_vehicle_limits.yaml", limits))
    capture = without(DAY_ONE, "210", tmp_path / "day_one.log")
    text = run(capture, "--spec", str(tmp_path / "cart.yaml"))[1]
    assert "Overrides:" in text
    assert "by another instrument" in section(text, "The one measurement that would decide it")
