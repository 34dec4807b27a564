"""The examples of `tests/fault_examples.py` as they are on the garden carrier, which has names of its own."""

from __future__ import annotations

import re
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


LATER_S = 1.0  # its kit takes longer to start
# The trip of the cart, from where the computer enables on so much later; the faults too.
_MOMENT = re.compile(r"at: (1\.[3-9]\d?|2\.1) s")
CARRIER_TRIP = TRIP.replace(str(CART), str(CARRIER)).replace("duration: 3 s", "duration: 4 s")


def _later(text: str) -> str:
    return _MOMENT.sub(lambda found: f"at: {float(found[1]) + LATER_S:g} s", text)


def carrier_trip_of(folder: Path, example: str | None, seed: int) -> Trip:
    """Run the trip on the carrier with an example, or without a fault, as `trip_of` on the cart."""
    fault = None if example is None else _later(on_carrier(EXAMPLES[example]))
    return of_run(run_of(folder, _later(CARRIER_TRIP), fault, seed))
