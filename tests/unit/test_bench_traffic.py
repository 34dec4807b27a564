"""The benchmark's traffic is clean where it should be, and the plain loop and canmap count the same in it."""

from __future__ import annotations

import json
import subprocess
import sys
from math import pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import canmap

if TYPE_CHECKING:
    from canmap.results.inspection import Inspection

ROOT = Path(__file__).parents[2]
FRAMES = 20_000
CASES = ("sparse", "dense")

# Fields that are stamped by the message of their signal, with what the loop's value is multiplied by:
# 1 km/h = 1/3.6 m/s, 1/min = 2 pi / 60 rad/s; the column turns the other way.
FIELDS = (
    ("column", "wheel_angle", "SteerFeedback.Angle", -pi / 180),
    ("drive", "speed", "DriveFeedback.Speed", 1 / 3.6),
    ("drive", "motor_speed", "DriveFeedback.MotorSpeed", 2 * pi / 60),
    ("drive", "throttle", "DriveFeedback.Throttle", 0.01),
    ("ride", "rear_right", "WheelSpeeds.RearRight", 1 / 3.6),
)


def program(name: str, *arguments: str | Path) -> dict[str, Any]:
    """What a program of the benchmark prints, started as all of them are."""
    command = [sys.executable, "-m", f"tests.bench.{name}", *map(str, arguments)]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    result: dict[str, Any] = json.loads(done.stdout)
    return result


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Traffic without a fault."""
    folder = tmp_path_factory.mktemp("clean")
    return program("traffic", "--frames", str(FRAMES), "--folder", folder)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Traffic with the known faults."""
    folder = tmp_path_factory.mktemp("faulty")
    return program("traffic", "--frames", str(FRAMES), "--folder", folder, "--faults")


def inspected(traffic: dict[str, Any], case: str) -> Inspection:
    """What canmap says of traffic."""
    return canmap.inspect(traffic["capture"], canmap.load_spec(traffic["cases"][case]["spec"]))


@pytest.fixture(scope="module", params=CASES)
def both(request: pytest.FixtureRequest, faulty: dict[str, Any]) -> tuple[Inspection, dict[str, Any]]:
    """What canmap and the plain loop say of traffic with the known faults."""
    descriptions = faulty["cases"][request.param]["descriptions"]
    return inspected(faulty, request.param), program("plain_loop", faulty["capture"], *descriptions)


@pytest.mark.parametrize("case", CASES)
def test_clean_traffic_has_neither_errors_nor_warnings(clean: dict[str, Any], case: str) -> None:
    result = inspected(clean, case)
    assert [finding.text for finding in result.findings if finding.severity is not canmap.Severity.NOTE] == []
    assert result.capture.frames == FRAMES


def test_the_plain_loop_and_canmap_count_the_same(
    both: tuple[Inspection, dict[str, Any]], faulty: dict[str, Any]
) -> None:
    result, loop = both
    assert result.capture.frames == loop["frames"] == FRAMES
    assert {message.name: message.count for message in result.messages} == loop["messages"]
    serious = [finding for finding in result.findings if finding.severity is not canmap.Severity.NOTE]
    counted = {
        kind: sum(finding.count for finding in serious if finding.kind == kind)
        for kind in {finding.kind for finding in serious}
    }
    truth = faulty["truth"]
    assert counted == {
        "out_of_range": truth["out_of_range"],
        "stale": truth["silences"],
    }
    assert {name: loop[name] for name in truth} == truth


def test_the_plain_loop_and_canmap_see_the_same_extremes(both: tuple[Inspection, dict[str, Any]]) -> None:
    # cantools is the second implementation: another decoder, other arithmetic, hence the tolerance.
    records, loop = both[0].to_json()["records"], both[1]["extremes"]
    for record, name, signal, factor in FIELDS:
        field = records[record]["fields"][name]
        low, high = sorted(value * factor for value in loop[signal])
        assert [field["min"], field["max"]] == pytest.approx([low, high], rel=1e-12), name


def test_an_eighth_of_the_frames_is_described_in_the_sparse_case(clean: dict[str, Any]) -> None:
    described = sum(message.count for message in inspected(clean, "sparse").messages)
    assert described / FRAMES == pytest.approx(1 / 8, rel=0.01)
    assert all(message.count for message in inspected(clean, "dense").messages)


def test_every_message_is_protected_in_the_checked_case(tmp_path: Path) -> None:
    made = program("traffic", "--frames", str(FRAMES), "--folder", tmp_path, "--protected")
    result = inspected(made, "checked")
    assert result.verdict == "pass"
    # The traffic has the CRC-8 of SAE J1850 by a table of its own, so both have it wrong or none.
    found = [message.checksum for message in result.messages if message.count]
    assert sum(one.frames for one in found if one) == FRAMES
    assert sum(one.wrong for one in found if one) == 0


def test_stamps_rise_over_the_end_of_a_block(tmp_path: Path) -> None:
    frames = 180_000  # a block has 179,200
    made = program("traffic", "--frames", str(frames), "--folder", tmp_path)
    stamps = [line[1:18] for line in Path(made["capture"]).read_text(encoding="ascii").splitlines()]
    assert len(stamps) == frames
    assert stamps == sorted(stamps)
    assert inspected(made, "dense").verdict == "pass"
