"""Drives of both simulated vehicles on which faults are diagnosed; `{spec}` is to be filled in."""

from __future__ import annotations

BEND = """
scenario: A bend
spec: {spec}
duration: 16 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.1 s, operator: select, to: computer}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 1.5 s, computer: enable}}
  - {{at: 2 s, computer: drive, speed: 8 km/h}}
  - {{at: 4 s, computer: turn, angle: 200 deg, rate: 25 deg/s}}
"""
TWO_BENDS = BEND.replace("A bend", "Two bends").replace("angle: 200 deg", "angle: 140 deg") + (
    "  - {{at: 8 s, computer: turn, angle: -150 deg, rate: 40 deg/s}}\n"
)
STRAIGHT = "\n".join(line for line in BEND.splitlines() if "turn" not in line) + (
    "\n  - {{at: 1.2 s, driver: coast}}\n"
)
LANE = """
scenario: A lane
spec: {spec}
duration: 16 s
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 2.6 s, computer: enable}}
  - {{at: 2.8 s, computer: drive, speed: 1.4 m/s}}
  - {{at: 4 s, computer: turn, angle: 120 deg, rate: 30 deg/s}}
"""
TWO_TURNS = LANE.replace("A lane", "Two turns") + (
    "  - {{at: 8 s, computer: turn, angle: -150 deg, rate: 40 deg/s}}\n"
)
STEP = STRAIGHT + "  - {{at: 9 s, computer: step, angle: -250 deg}}\n"
AHEAD = "\n".join(line for line in LANE.splitlines() if "turn" not in line) + "\n"
STEERED = AHEAD + "  - {{at: 9 s, computer: step, angle: -250 deg}}\n"
