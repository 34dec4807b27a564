"""Drives by computer without a fault, of any length: whatever is told of them is told wrongly."""

DRIVES = {
    "cart": """
scenario: By computer, to and fro
spec: {spec}
duration: {seconds} s
repeat: {{from: 2 s, every: 30 s}}
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 2 s, computer: enable}}
  - {{at: 2.5 s, computer: drive, speed: 10 km/h}}
  - {{at: 6 s, computer: turn, angle: 160 deg, rate: 80 deg/s}}
  - {{at: 11 s, computer: turn, angle: -120 deg, rate: 80 deg/s}}
  - {{at: 15 s, computer: turn, angle: 0 deg}}
  - {{at: 25 s, computer: stop}}
  - {{at: 30 s, computer: hand back}}
""",
    "carrier": """
scenario: By computer, lane after lane
spec: {spec}
duration: {seconds} s
repeat: {{from: 3 s, every: 30 s}}
script:
  - {{at: 0 s, operator: switch on}}
  - {{at: 0.2 s, driver: shift, gear: forward}}
  - {{at: 3 s, computer: enable}}
  - {{at: 3.5 s, computer: drive, speed: 1.4 m/s}}
  - {{at: 6 s, computer: turn, angle: 120 deg, rate: 60 deg/s}}
  - {{at: 12 s, computer: turn, angle: -100 deg, rate: 60 deg/s}}
  - {{at: 18 s, computer: turn, angle: 0 deg, rate: 60 deg/s}}
  - {{at: 25 s, computer: stop}}
  - {{at: 30 s, computer: hand back}}
""",
}
