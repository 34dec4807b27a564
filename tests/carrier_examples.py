"""The examples of `tests/fault_examples.py` as they are on the garden carrier, which has names of its own."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tests.fault_examples import EXAMPLES, TIED_OTHERWISE, TIES, TRIP, Trip, driven
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
    "rate: 300 Hz": "rate: 40 Hz",  # its bus carries 150 frames a second
    "resistance: 250 mOhm": "resistance: 800 mOhm",  # its supply has twice the voltage, its motor is slow
}
# The examples that the carrier cannot tell apart: nothing on its bus tells of the loop, nor of the supply
# before the lead of the steering node; it has no second bus that would tell that the recorder still records.
TIES_ON_CARRIER = (
    *TIES,
    {"stop_pressed", "loop_open"},
    {"recorder_gap", "recorder_unplugged"},
    {"host_stall, no buffer", "recorder_unplugged"},
    {"supply_sag", "supply_sag, one node"},
)
TIED_OTHERWISE_ON_CARRIER = TIED_OTHERWISE | {"supply_cut"}


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


ON_CARRIER = _later(CARRIER_TRIP)


def carrier_trip_of(folder: Path, example: str | None, seed: int) -> Trip:
    """Run the trip on the carrier with an example, or without a fault, as `trip_of` on the cart."""
    fault = None if example is None else _later(on_carrier(EXAMPLES[example]))
    return driven(folder, ON_CARRIER, fault, seed)
