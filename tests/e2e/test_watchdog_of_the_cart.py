"""The cart lets go 120 ms after the last fresh demand; what is said where the spec promises another time."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from canmap.outputs.captures.writers import write_frames
from tests.e2e.shell import canmap
from tests.simulated import CART_FOLDER, run_of

if TYPE_CHECKING:
    from pathlib import Path

ABSENT = "{kind: demand_absent, message: SteerCommand, at: 7 s}"
PERIOD_S = 0.01  # of the feedback that shows the state


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("absent")
    path = folder / "absent.log"
    write_frames(str(path), [run_of(folder, faults=ABSENT).chunk])
    return path


@pytest.mark.parametrize(
    ("limit_ms", "severity", "said"),
    [
        (60, "error", "only "),
        (120, "note", "let go "),
        (300, "warning", "let go already "),
    ],
)
def test_late_in_time_and_early(
    capture: Path, tmp_path: Path, limit_ms: int, severity: str, said: str
) -> None:
    for name in ("kit.dbc", "chassis.dbc"):
        (tmp_path / name).write_bytes((CART_FOLDER / name).read_bytes())
    spec = tmp_path / "cart.yaml"
    text = (CART_FOLDER / "cart.yaml").read_text(encoding="utf-8")
    text = text.replace("../../shared", str(CART_FOLDER.parent.parent / "shared"))
    spec.write_text(text.replace("watchdog: 120 ms", f"watchdog: {limit_ms} ms"), encoding="utf-8")
    done = canmap("inspect", capture, "--spec", spec, "--json", "-")
    found = [one for one in json.loads(done.stdout)["findings"] if one["kind"] == "watchdog"]
    of_steering = [one for one in found if one["message"] == "SteerCommand"]
    assert [one["severity"] for one in of_steering] == [severity], found
    (finding,) = of_steering
    assert said in finding["text"]
    assert finding["limit"] == pytest.approx(limit_ms / 1000)
    # It lets go within a period of its own after 120 ms, and shows it a period of its feedback later.
    assert 0.12 - 1e-3 <= finding["value"] <= 0.12 + 2 * PERIOD_S + 1e-3
    assert {one["severity"] for one in found} == {severity}
