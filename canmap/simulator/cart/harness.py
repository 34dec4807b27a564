"""Simulator: in which order the nodes hang on the drive bus, and which of them are behind a plug."""

from __future__ import annotations

# From the front axle to the rear axle; the recorder sits at the computer's plug.
HARNESS = ("SteerNode", "BrakeNode", "Supervisor", "Computer", "VehicleNode", "DriveNode")
RECORDER_AT = "Computer"
PLUGS = tuple(name for name in HARNESS if name != RECORDER_AT)


def behind(node: str) -> tuple[str, ...]:
    """Return the nodes that lose touch with the recorder if the plug before `node` opens, that one first."""
    place, recorder = HARNESS.index(node), HARNESS.index(RECORDER_AT)
    return HARNESS[place::-1] if place < recorder else HARNESS[place:]
