"""The examples of `tests/fault_examples.py` as they are on the garden carrier, which has names of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.fault_examples import EXAMPLES, TRIP, Trip, of_run
from tests.simulated import run_of
from tests.streams import CART, ROOT

if TYPE_CHECKING:
    from pathlib import Path

CARRIER = ROOT / "specs" / "garden_carrier" / "garden_carrier.yaml"
# What a fault of the cart names, and the same on the carrier; the first that fits.
NAMES = {
    "SteerFeedback.Angle": "SteerReport.RoadAngle",
    "DriveFeedback.MotorSpeed": "MoveReport.MotorTurns",
    "PedalState.Throttle": "MoveReport.BrakeEffort",
    "BatteryState": "PowerState",
    "SteerFeedback": "SteerReport",
    "BrakeFeedback": "MoveReport",
    "SteerCommand": "SteerRequest",
    "SteerNode": "SteerUnit",
    "BrakeNode": "MoveUnit",
    "DriveNode": "MoveUnit",
    "node: Computer": "node: Guidance",
    "bus: drive": "bus: machine",
}


def on_carrier(fault: str) -> str:
    """The line of a fault file, with the carrier's names."""
    for name, other in NAMES.items():
        fault = fault.replace(name, other)
    return fault


def carrier_trip_of(folder: Path, example: str | None, seed: int) -> Trip:
    """Run the trip on the carrier with an example, or without a fault, as `trip_of` on the cart."""
    fault = None if example is None else on_carrier(EXAMPLES[example])
    return of_run(run_of(folder, TRIP.replace(str(CART), str(CARRIER)), fault, seed))
