"""The driver's override and a gateway that passes nothing on, from a capture to the JSON and the screen."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from canmap.outputs.captures.writers import write_frames
from tests.e2e.shell import CART, canmap
from tests.simulated import run_of, short_drive

if TYPE_CHECKING:
    from pathlib import Path

FAULTS = """{kind: driver_override, torque: 7 Nm, at: 3 s, for: 0.5 s}
  - {kind: gateway_loss, share: 100 %, at: 4 s, for: 0.5 s}"""


def test_what_driver_and_gateway_did(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    write_frames(str(path), [run_of(tmp_path, short_drive(5), FAULTS).chunk])
    found = json.loads(canmap("inspect", path, "--spec", CART, "--json", "-").stdout)["findings"]
    overrides = [one for one in found if one["kind"] == "override"]
    assert {one["facts"]["machine"] for one in overrides} == {"steering", "drive", "brake"}
    assert {(one["severity"], one["signal"]) for one in overrides} == {("note", "Torque")}
    assert all(3.1 < one["start_s"] < 3.25 for one in overrides)
    (silence,) = [one for one in found if one["kind"] == "stale"]
    assert "SteerFeedback, of which it is the copy, went on." in silence["beside"]
    screen = canmap("inspect", path, "--spec", CART).stdout
    assert "steering was overridden: SteerFeedback.Torque had been beyond 4 Nm" in screen
