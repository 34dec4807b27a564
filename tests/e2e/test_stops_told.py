"""The stop chain and the restarts of nodes on the command line, and mistakes in what a spec says of them."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

from tests.e2e.shell import CART, ROOT, canmap

if TYPE_CHECKING:
    from pathlib import Path

FAULTS = "faults:\n  - {kind: supply_cut, at: 4 s, for: 500 ms}\n"


def test_a_stop_that_worked_is_a_note() -> None:
    done = canmap("inspect", "captures/stop_pressed.log", "--spec", CART)
    assert "note stop_chain [8.036]  The stop chain worked, as far as the bus tells:" in done.stdout
    assert "stop_button.pressed" in done.stdout


def test_a_supply_that_failed_is_an_error_and_its_nodes_restart(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", tmp_path / "run.log"
    faults.write_text(FAULTS, encoding="utf-8")
    scenario = "specs/orchard_cart/scenarios/short_drive.yaml"
    assert canmap("simulate", scenario, "--faults", faults, "--into", capture).returncode == 0
    done = canmap("inspect", capture, "--spec", CART, "--to", "6", "--json", "-")
    assert done.returncode == 1
    found = {one["kind"]: one for one in json.loads(done.stdout)["findings"] if one["severity"] != "note"}
    assert set(found) == {"stale", "stop_chain", "restart"}
    assert found["stop_chain"]["facts"]["wrong"] == "supply_lost"
    assert abs(found["stop_chain"]["start_s"] - 4) < 0.13  # the supervisor says it every 100 ms
    assert found["stop_chain"]["text"] in found["stale"]["beside"]


def test_a_mistake_has_its_line_and_the_nearest_name(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "specs" / "orchard_cart", tmp_path / "specs" / "orchard_cart")
    shutil.copytree(ROOT / "shared", tmp_path / "shared")
    spec = tmp_path / "specs" / "orchard_cart" / "cart.yaml"
    text = spec.read_text(encoding="utf-8").replace("cuts: kit", "cuts: kid")
    spec.write_text(text.replace("SteerDiagnostics.OnTime", "SteerDiagnostics.OnTme"), encoding="utf-8")
    done = canmap("inspect", "captures/clean_drive.log", "--spec", spec)
    assert done.returncode == 2
    assert "There is no supply group `kid`; did you mean `kit`?" in done.stderr
    assert "SteerDiagnostics has no signal `OnTme`; did you mean `OnTime`?" in done.stderr
