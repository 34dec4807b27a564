"""Make the demo capture: the orchard cart in a bend, its steering message lost, a pedal off its range.

Run as `python captures/make.py`; the same bytes come out every time. The truth stands in steering_drop.yaml.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import cantools

HERE = Path(__file__).parent
KIT = HERE.parent / "specs" / "orchard_cart" / "kit.dbc"
START_NS = 1_760_000_000 * 1_000_000_000
DURATION_MS = 12_000
DROP_MS = (5_000, 5_420)  # SteerFeedback is not sent
PEDAL_MS = (8_000, 8_300)  # the throttle pedal reads 110 %
WHEELBASE_M, RATIO, TRACK_M = 1.86, 15.4, 1.20


def speed_kmh(t_s: float) -> float:
    """Set off, cruise at 12 km/h, come to rest."""
    return 12.0 * min(1.0, t_s / 3.0, max(0.0, (11.5 - t_s) / 2.0))


def wheel_deg(t_s: float) -> float:
    """A bend to the left, then one to the right; positive to the right as the kit has it."""
    return -120.0 * math.sin(2 * math.pi * t_s / 9.0)


def values(message: str, t_ms: int, count: int) -> dict[str, float]:
    """What the vehicle says in `message` at `t_ms`; `count` numbers its frames."""
    t_s = t_ms / 1000
    speed, angle = speed_kmh(t_s), wheel_deg(t_s)
    bend = math.tan(math.radians(-angle / RATIO)) / WHEELBASE_M
    left, right = (speed * (1 - side * bend * TRACK_M / 2) for side in (1, -1))
    driving = 0.5 < t_s < 11.6
    throttle = 110.0 if PEDAL_MS[0] <= t_ms < PEDAL_MS[1] else 30.0 * (speed > 0)
    active, pedal = 3 if driving else 2, 20.0 * (t_s > 9.5)
    said: dict[str, dict[str, float]] = {
        "SteerFeedback": {
            "Angle": round(angle, 1),
            "Rate": round(-120.0 * 2 * math.pi / 9.0 * math.cos(2 * math.pi * t_s / 9.0)),
            "State": active,
            "Homed": 1,
            "Torque": round(angle / 100, 2),
            "Counter": count % 16,
        },
        "SteerCommand": {
            "Angle": round(wheel_deg(t_s + 0.1), 1),
            "Enable": int(driving),
            "Counter": count % 16,
        },
        "PedalState": {"Throttle": throttle, "BrakePedal": pedal},
        "DriveFeedback": {
            "Speed": round(speed, 2),
            "MotorSpeed": round(speed / 3.6 / 0.27 * 12 * 60 / (2 * math.pi)),
            "Gear": 3 if driving else 2,
            "State": active,
        },
        "BrakeFeedback": {
            "Pressure": pedal,
            "Effort": pedal,
            "State": active,
            "ParkingReleased": int(driving),
        },
        "WheelSpeeds": {
            "FrontLeft": left,
            "FrontRight": right,
            "RearLeft": left,
            "RearRight": right,
        },
        "KitState": {
            "Mode": 2 if driving else 0,
            "Reason": 0,
            "StopLoopClosed": 1,
            "LinkLost": 0,
            "SupplyOn": 1,
        },
        "BatteryState": {
            "Charge": 81.5,
            "Voltage": 51.2 - speed / 20,
            "Current": speed * 4,
            "Temperature": 24,
        },
    }
    return said[message]


def main() -> None:
    """Write steering_drop.log beside this file."""
    kit = cantools.database.load_file(str(KIT))
    noise = random.Random(1)
    frames: list[tuple[int, int, bytes]] = [(2_000_000, 0x7A0, bytes.fromhex("424F4F5401"))]
    for message in kit.messages:
        period_ms = message.cycle_time or 100
        phase_us = noise.randrange(0, 1000 * period_ms // 2)
        for count, t_ms in enumerate(range(0, DURATION_MS, period_ms)):
            if message.name == "SteerFeedback" and DROP_MS[0] <= t_ms < DROP_MS[1]:
                continue
            data = message.encode(values(message.name, t_ms, count), strict=False, scaling=True)
            frames.append(
                (t_ms * 1_000_000 + (phase_us + noise.randrange(200)) * 1000, message.frame_id, data)
            )
    lines = []
    for t_ns, can_id, data in sorted(frames):
        stamp_us = (START_NS + t_ns) // 1000
        stamp = f"{stamp_us // 1_000_000}.{stamp_us % 1_000_000:06d}"
        lines.append(f"({stamp}) can0 {can_id:03X}#{data.hex().upper()}\n")
    (HERE / "steering_drop.log").write_text("".join(lines), encoding="ascii")


if __name__ == "__main__":
    main()
