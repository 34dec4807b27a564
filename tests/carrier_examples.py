"""The examples of `tests/fault_examples.py` as they are on the garden carrier, which has names of its own."""

from __future__ import annotations

from tests.streams import ROOT

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
