"""Other forms of demands that are rejected, frozen values and angle sensors that are off, in frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.base.errors import FaultyFileError
from canmap.simulator.cart.kit import Reason
from canmap.vocabulary.record_types import AxisState
from tests.simulated import is_protected, run_of, scenario_of, short_drive

if TYPE_CHECKING:
    from pathlib import Path

    from tests.simulated import Run

STEER = "kind: demand_refused, message: SteerCommand, at: 2.2 s, for: 600 ms"


@pytest.fixture
def faulty(tmp_path: Path):
    """Runs the first seconds of the drive with a fault."""

    def run(fault: str, duration_s: float = 3.2) -> Run:
        return run_of(tmp_path, short_drive(duration_s), f"{{{fault}}}")

    return run


@pytest.mark.parametrize("because", ["step", "order"])
def test_a_demand_that_is_made_wrongly_is_rejected(faulty, because: str) -> None:
    run = faulty(f"{STEER}, because: {because}")
    demand, rows = run.heard("SteerCommand"), run.rows("can0", 0x102)
    inside = (demand.t_s >= 2.23) & (demand.t_s < 2.78)
    good = np.array([is_protected(run.chunk.payload[row].tobytes(), 6, 0x102) for row in rows])
    steps = np.diff(demand["Counter"][inside]) % 15
    assert set(steps) == ({4} if because == "step" else {1})
    assert set(good[inside]) == {because == "step"}
    assert np.diff(demand.t_s).max() < 0.022
    assert good[(demand.t_s < 2.2) | (demand.t_s > 2.83)].all()
    steering = run.heard("SteerFeedback").within(2.4, 2.7)
    assert set(steering["State"]) == {AxisState.READY}
    assert set(steering["Reason"]) == {Reason.DEMAND_LOST}


def test_one_signal_stands_while_the_others_of_its_frame_go_on(faulty) -> None:
    run = faulty(
        "kind: frozen_value, message: SteerFeedback, signal: SteerFeedback.Torque, at: 2.2 s, for: 800 ms"
    )
    assert run.fault["signal"] == "SteerFeedback.Torque"
    during = run.heard("SteerFeedback").within(2.22, 2.98)
    assert len(set(during["Torque"])) == 1
    assert len(set(during["Angle"])) > 1
    assert len(set(run.heard("SteerFeedback").within(1.5, 2.16)["Torque"])) > 1


def test_a_signal_that_stands_is_one_of_its_message(tmp_path: Path) -> None:
    told = "message: SteerFeedback, signal: DriveFeedback.Speed, at: 1 s"
    with pytest.raises(FaultyFileError, match=r"DriveFeedback\.Speed is no signal of SteerFeedback"):
        scenario_of(tmp_path, faults=f"{{kind: frozen_value, {told}}}")


def test_an_angle_sensor_slips(faulty) -> None:
    run = faulty("kind: sensor_offset, offset: 40 deg, within: 1 s, at: 2 s", 4.2)
    steering, demand = run.heard("SteerFeedback"), run.heard("SteerCommand")
    # The kit steers by its sensor, so what is told stays on the demand while the wheels turn away from it.
    assert np.abs(steering.within(2.0, 4.0)["Angle"] - demand["Angle"][0]).max() < 10
    wheels = run.heard("WheelSpeeds")
    turning = wheels["RearRight"] - wheels["RearLeft"]  # to the left: the right one is the faster
    before, later = turning[wheels.t_s < 2.0].mean(), turning[wheels.t_s > 3.6].mean()
    assert later < before - 0.05
