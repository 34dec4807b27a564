"""Simulator: the garden carrier: a slow carrier for market gardens, whose one bus tells less than the cart's.

Its identifiers have 29 bits (priority, parameter group, source address, as SAE J1939 has them), its signals
are big-endian, its checksums are sums. No message tells why the kit does something, none that the e-stop was
pressed. Angles are those of the road wheels, positive to the left.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.payload.counters import RollingCounter
from canmap.simulator.cart.actuators import Response
from canmap.simulator.cart.feed import Buffer
from canmap.simulator.cart.kit import AxisRule
from canmap.simulator.cart.machinery import Machinery, Motors
from canmap.simulator.cart.messages import degrees, noisy, quantised
from canmap.simulator.cart.nodes import MS
from canmap.simulator.cart.payloads import EXTENDED, Guard
from canmap.simulator.cart.vehicle import VehicleParameters, wheel_speeds
from canmap.simulator.cart.vehicle_kind import STRANGER, BusKind, SpeedSource, VehicleKind, WheelSource
from canmap.vocabulary.record_types import AxisState, ControlMode, Gear

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canmap.simulator.cart.messages import Moments, Values
    from canmap.simulator.cart.states import Numbers, Told

PARAMETERS = VehicleParameters(
    mass=980.0,
    wheelbase=1.32,
    track=1.08,
    steering_ratio=11.0,
    rolling_radius=0.31,
    rolling_resistance=0.03,
    drag_area=1.4,
    gear_reduction=38.0,
    motor_force=2400.0,
    motor_power=2600.0,
    brake_force=5200.0,
)
ANGLE_NOISE = 0.01  # deg, of the road wheels
CURRENT_NOISE = 0.05  # A
SPEED_STEP = 0.004  # m/s, of the motor's encoder
TOOTH_SPEED = 0.01  # m/s, of the sensors of the rear wheels
SUPPLY = 25.6  # V
# What the codes of the bus mean; the numbers are our own.
MODE_CODES = {
    AxisState.OFF: 0,
    AxisState.STANDBY: 1,
    AxisState.READY: 3,
    AxisState.ACTIVE: 4,
    AxisState.OVERRIDDEN: 6,
    AxisState.FAULTED: 9,
}
CONTROL_CODES = {ControlMode.MANUAL: 1, ControlMode.AUTONOMOUS: 2, ControlMode.FAULT: 8}
DIRECTION_CODES = {Gear.NEUTRAL: 0, Gear.FORWARD: 1, Gear.REVERSE: 2, Gear.PARK: 3}
SOURCES = {"SteerUnit": 0x81, "MoveUnit": 0x82, "PowerUnit": 0x83, "Guidance": 0x90}
CLAIM = 0x18EEFF00  # an address claimed, to all [SAE J1939-81]; the lowest byte is who


def _coded(codes: dict[AxisState, int] | dict[ControlMode, int] | dict[Gear, int]) -> NDArray[np.float64]:
    """Return the code of each state, by its number."""
    table = np.zeros(1 + max(codes))
    for state, code in codes.items():
        table[state] = code
    return table


_MODES, _CONTROLS, _DIRECTIONS = _coded(MODE_CODES), _coded(CONTROL_CODES), _coded(DIRECTION_CODES)


def _told(table: NDArray[np.float64], states: Told) -> Told:
    if isinstance(states, np.ndarray):
        told: Told = table[states.astype(np.intp)]
        return told
    return float(table[int(states)])


def _steer_report(s: Moments, n: Numbers) -> Values:
    angle = degrees(s.wheel_angle + s.angle_offset) / s.parameters.steering_ratio
    return {
        "RoadAngle": angle + noisy(s, "road angle", n, ANGLE_NOISE),
        "MotorCurrent": s.motor_current + noisy(s, "steering current", n, CURRENT_NOISE),
        "Centred": s.steering_state >= AxisState.READY,
    }


def _steer_request(s: Moments, _: Numbers) -> Values:
    angle = degrees(s.asked_angle) / s.parameters.steering_ratio
    return {"RoadAngle": angle, "Engage": s.steering_enable}


def _move_report(s: Moments, _: Numbers) -> Values:
    measures = s.parameters
    turns = s.speed * (measures.gear_reduction / measures.rolling_radius * 30.0 / math.pi)
    return {
        "Speed": quantised(s.speed, SPEED_STEP),
        "MotorTurns": turns,
        "Direction": _told(_DIRECTIONS, s.gear),
        "ParkBrake": s.parking,
        "BrakeEffort": s.effort,
    }


def _move_request(s: Moments, _: Numbers) -> Values:
    return {
        "Throttle": s.asked_throttle,
        "Brake": s.asked_brake,
        "Direction": _told(_DIRECTIONS, s.asked_gear),
        "Engage": s.drive_enable + s.brake_enable > 0.0,
    }


def _wheel_report(s: Moments, n: Numbers) -> Values:
    _, _, left, right = wheel_speeds(s.speed, s.road_angle, s.parameters)
    return {
        name: quantised(speed * (1.0 + noisy(s, name, n, 0.002)), TOOTH_SPEED)
        for name, speed in (("RearLeft", left), ("RearRight", right))
    }


def _carrier_state(s: Moments, _: Numbers) -> Values:
    tripped = [state == AxisState.FAULTED for state in (s.steering_state, s.drive_state, s.brake_state)]
    return {
        "Mode": _told(_CONTROLS, s.mode),
        "SteerMode": _told(_MODES, s.steering_state),
        "MoveMode": _told(_MODES, s.drive_state),
        "BrakeMode": _told(_MODES, s.brake_state),
        "HandBrake": s.brake_pedal,
        "Alarms": 1.0 * tripped[0] + 2.0 * tripped[1] + 4.0 * tripped[2],
    }


def _power_state(s: Moments, n: Numbers) -> Values:
    return {
        "Charge": 100.0 * s.charge,
        "Voltage": s.voltage + noisy(s, "voltage", n, 0.01),
        "Current": s.current + noisy(s, "current", n, 0.1),
    }


def _unit_health(s: Moments, n: Numbers) -> Values:
    return {
        "Page": n % 2,
        "Supply": s.kit_supply - s.motor_drop + noisy(s, "unit supply", n, 0.01),
        "Temperature": s.motor_temperature,
        "Starts": s.steering_restarts,
        "Firmware": s.firmware,
        "OnTime": 0.5 * n,
    }


def _sums(payload: NDArray[np.uint8], place: int, start: int) -> NDArray[np.uint8]:
    """Return the sum of a start value and all other bytes, inverted, its lowest 8 bits; uint8[n]."""
    others = payload.sum(axis=1, dtype=np.int64) - payload[:, place]
    sums: NDArray[np.uint8] = (0xFF ^ (others + start & 0xFF)).astype(np.uint8)
    return sums


def _sum(payload: bytes, place: int, start: int) -> int:
    """Return the same of one payload."""
    return 0xFF ^ (sum(payload) - payload[place] + start & 0xFF)


def _guard(values: int) -> Guard:
    return Guard(RollingCounter(values), _sums, _sum, counted_in="Count", checked_in="Sum")


def _claim(number: int, _starts: int) -> tuple[int, bytes]:
    """Claim an address: NAME, of which the industry group (agriculture), a function and a number are told.

    Its fields after SAE J1939-81, from memory.
    """
    name = 2 << 60 | (0x80 + number) << 40 | 1000 + number
    return CLAIM | tuple(SOURCES.values())[number] | EXTENDED, name.to_bytes(8, "little")


def _asked(angle: float) -> float:
    return math.degrees(angle) / PARAMETERS.steering_ratio


def _meant(value: float) -> float:
    return math.radians(value) * PARAMETERS.steering_ratio


def _rule(name: str, number: int, signal: str, low: float, high: float) -> AxisRule:
    return AxisRule(
        name,
        number,
        signal,
        low,
        high,
        gear="Direction",
        enable="Engage",
        gears={code: float(gear) for gear, code in DIRECTION_CODES.items()},
        watchdog_ns=250 * MS,
        self_test_ns=300 * MS,
        homing_ns=1600 * MS,
    )


_LOCK = math.radians(400.0)  # of the steering wheel
GARDEN_CARRIER = VehicleKind(
    name="garden carrier",
    parameters=PARAMETERS,
    machinery=Machinery(
        rules={
            "steering": _rule("Steering", 1, "RoadAngle", -38.0, 38.0),
            "drive": _rule("Drive", 2, "Throttle", 0.0, 100.0),
            "brake": _rule("Brake", 3, "Brake", 0.0, 100.0),
        },
        demand_of={"steering": "SteerRequest", "drive": "MoveRequest", "brake": "MoveRequest"},
        asked_angle=_asked,
        meant_angle=_meant,
        motors=Motors(
            steering=Response(0.10, 9.0, 0.85, math.radians(220.0), -_LOCK, _LOCK),
            hands=Response(0.0, 5.0, 0.9, math.radians(300.0), -_LOCK, _LOCK),
            brake=Response(0.12, 10.0, 0.9, 200.0, 0.0, 100.0),
            throttle=Response(0.08, 12.0, 0.9, 250.0, 0.0, 100.0),
        ),
        kit_supply=SUPPLY,
        lowest_supply=17.0,
        buffers={"SteerUnit": Buffer(1500e-6, 9.0), "MoveUnit": Buffer(3300e-6, 12.0)},
    ),
    drive=BusKind("machine", "can0", 250_000, (*SOURCES, STRANGER)),
    node_messages={
        "SteerUnit": ("SteerReport", "UnitHealth"),
        "MoveUnit": ("MoveReport", "WheelReport", "CarrierState"),
    },
    node_of={"steering": "SteerUnit", "drive": "MoveUnit", "brake": "MoveUnit"},
    state_of={
        "steering": "CarrierState.SteerMode",
        "drive": "CarrierState.MoveMode",
        "brake": "CarrierState.BrakeMode",
    },
    computer="Guidance",
    seen=SpeedSource("MoveReport", "Speed", 1.0),
    wheels=WheelSource("MoveUnit", "WheelReport", ("RearLeft", "RearRight"), 1.0),
    tell={
        "SteerReport": _steer_report,
        "SteerRequest": _steer_request,
        "MoveReport": _move_report,
        "MoveRequest": _move_request,
        "WheelReport": _wheel_report,
        "CarrierState": _carrier_state,
        "PowerState": _power_state,
        "UnitHealth": _unit_health,
    },
    # Where the sums start: the source address of the sender.
    data_ids={"SteerReport": 0x81, "MoveReport": 0x82, "SteerRequest": 0x90, "MoveRequest": 0x90},
    guards={
        "SteerReport": _guard(256),
        "SteerRequest": _guard(256),
        "MoveReport": _guard(16),
        "MoveRequest": _guard(16),
    },
    boot=_claim,
    recorder_at="Guidance",
    signals={
        "angle": "SteerReport.RoadAngle",
        "supply": "UnitHealth.Supply",
        "firmware": "UnitHealth.Firmware",
    },
    supply_told_ns=1000 * MS,
    without=frozenset(
        {
            *("driver_override", "false_override", "link_lost", "loop_chatter", "railed_pedal"),
            *("gateway_loss", "gateway_overload", "gateway_restart"),
        }
    ),
)
