"""What simulated faults of the gateway, of the driver's override and of the kit are found as, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, serious
from tests.simulated import run_of, short_drive
from tests.streams import inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection

SHORT = short_drive(6.5)
SEEDS = (3, 11)


def inspection(folder: Path, fault: str, seed: int) -> Inspection:
    return inspected([run_of(folder, SHORT, f"{{{fault}}}", seed).chunk])[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_what_the_gateway_loses_is_missing_of_its_copy_alone(tmp_path: Path, seed: int) -> None:
    result = inspection(tmp_path, "kind: gateway_loss, share: 50 %, at: 4 s, for: 1.5 s", seed)
    (loss,) = of_kind(result, "loss")
    assert (loss.place.message, loss.severity.value) == ("ChassisSteering", "warning")
    assert result.seconds(loss.start_ns) == pytest.approx(4.1, abs=0.4)
    assert {one.place.message for one in serious(result)} == {"ChassisSteering"}
    assert of_kind(result, "relay") == []


@pytest.mark.parametrize("seed", SEEDS)
def test_a_silent_gateway_is_told_from_a_silent_original(tmp_path: Path, seed: int) -> None:
    result = inspection(tmp_path, "kind: gateway_loss, share: 100 %, at: 4 s, for: 1 s", seed)
    (silence,) = of_kind(result, "stale")
    assert "SteerFeedback, of which it is the copy, went on." in silence.beside
    assert serious(result) == [silence]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", ["driver_override, torque: 7 Nm", "false_override, torque: -6 Nm"])
def test_an_override_is_told_at_its_time(tmp_path: Path, kind: str, seed: int) -> None:
    """100 ms after the torque is there, which a hand takes some 50 ms for; no error is made of it."""
    result = inspection(tmp_path, f"kind: {kind}, at: 4 s, for: 0.5 s", seed)
    found = [one for one in of_kind(result, "override") if one.facts["machine"] == "steering"]
    assert [one.severity.value for one in found] == ["note"]
    assert result.seconds(found[0].start_ns) == pytest.approx(4.13, abs=0.06)
    assert found[0].place.signal == "Torque"
    assert [one.severity.value for one in of_kind(result, "override")] == ["note"] * 3  # of each axis


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("axis", ["steering", "brake"])
def test_a_fault_of_the_kit_is_told_and_nothing_that_follows_from_it(
    tmp_path: Path, axis: str, seed: int
) -> None:
    """The kit brakes by itself, as it should; so the brake does not follow its demand, rightly."""
    result = inspection(tmp_path, f"kind: kit_fault, axis: {axis}, at: 4 s, for: 2 s", seed)
    (one,) = serious(result)
    assert one.text == (
        f"{'Steer' if axis == 'steering' else 'Brake'}Feedback.Reason 11: "
        f"The {axis} has an internal fault; what clears it: the operator's reset."
    )
    assert (one.kind.value, one.severity.value) == ("fault_reported", "error")
    assert result.seconds(one.start_ns) == pytest.approx(4.0, abs=0.03)
    assert result.seconds(one.end_ns) == pytest.approx(6.0, abs=0.03)


def test_a_refused_demand_is_told_without_what_the_kit_does_then(tmp_path: Path) -> None:
    result = inspection(
        tmp_path, "kind: demand_refused, message: SteerCommand, because: counter, at: 4 s, for: 1 s", 3
    )
    assert {one.kind.value for one in serious(result)} == {"counter"}
    assert len(of_kind(result, "watchdog")) == 1
