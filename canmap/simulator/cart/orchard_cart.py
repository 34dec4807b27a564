"""Simulator: the orchard cart: which nodes, messages and times its kit and its two buses have."""

from __future__ import annotations

import math

from canmap.simulator.cart.cart import BRAKE_MOTOR, DRIVERS_HANDS, STEERING_MOTOR, THROTTLE
from canmap.simulator.cart.feed import BUFFERS, LOWEST_V
from canmap.simulator.cart.kit import BRAKE, DRIVE, STEERING
from canmap.simulator.cart.machinery import Machinery, Motors
from canmap.simulator.cart.messages import KMH, TELL
from canmap.simulator.cart.nodes import MS, Timing, boot_message
from canmap.simulator.cart.vehicle import VehicleParameters
from canmap.simulator.cart.vehicle_kind import (
    STRANGER,
    BusKind,
    RelayKind,
    SpeedSource,
    VehicleKind,
    WheelSource,
)


def _asked(angle: float) -> float:
    return -math.degrees(angle)


def _meant(value: float) -> float:
    return -math.radians(value)


ORCHARD_CART = VehicleKind(
    name="orchard cart",
    parameters=VehicleParameters(),
    machinery=Machinery(
        rules={"steering": STEERING, "drive": DRIVE, "brake": BRAKE},
        demand_of={"steering": "SteerCommand", "brake": "BrakeCommand", "drive": "DriveCommand"},
        asked_angle=_asked,
        meant_angle=_meant,
        motors=Motors(STEERING_MOTOR, DRIVERS_HANDS, BRAKE_MOTOR, THROTTLE),
        kit_supply=13.4,
        lowest_supply=LOWEST_V,
        buffers=BUFFERS,
    ),
    drive=BusKind(
        "drive",
        "can0",
        500_000,
        ("SteerNode", "BrakeNode", "DriveNode", "VehicleNode", "Supervisor", "Computer", STRANGER),
    ),
    chassis=BusKind("chassis", "can1", 250_000, ("Gateway", "BodyNode")),
    relay=RelayKind("Gateway", "SteerFeedback", "ChassisSteering", 4, 2 * MS),
    node_messages={
        "SteerNode": ("SteerFeedback", "SteerDiagnostics"),
        "BrakeNode": ("BrakeFeedback",),
        "DriveNode": ("DriveFeedback", "PedalState"),
    },
    node_of={"steering": "SteerNode", "brake": "BrakeNode", "drive": "DriveNode"},
    state_of={
        "steering": "SteerFeedback.State",
        "brake": "BrakeFeedback.State",
        "drive": "DriveFeedback.State",
    },
    computer="Computer",
    seen=SpeedSource("DriveFeedback", "Speed", KMH),
    wheels=WheelSource(
        "VehicleNode", "WheelSpeeds", ("FrontLeft", "FrontRight", "RearLeft", "RearRight"), KMH
    ),
    tell=TELL,
    timings={
        "OperatorPanel": Timing(20 * MS, on_change=True, heartbeat_ns=1000 * MS, gap_ns=50 * MS),
        "KitEvent": Timing(10 * MS, events=True),
    },
    # As the vehicle's spec has them.
    data_ids={
        "SteerFeedback": 0x0101,
        "SteerCommand": 0x0102,
        "BrakeCommand": 0x0103,
        "DriveCommand": 0x0104,
        "DriveFeedback": 0x0112,
        "BrakeFeedback": 0x0121,
        "KitState": 0x0130,
    },
    told_of={"KitState": "Supervisor"},
    boot=boot_message,
    signals={
        "angle": "SteerFeedback.Angle",
        "supply": "SteerDiagnostics.Supply",
        "firmware": "SteerDiagnostics.Firmware",
        "vehicle": "OperatorPanel.StopButton",
        "radio": "OperatorPanel.RadioStop",
        "link": "KitState.LinkLost",
        "loop": "KitState.StopLoopClosed",
        "rail": "BodyState.Supply",
    },
    supply_told_ns=300 * MS,
    loop_messages=("KitState", "KitEvent"),
    # From the front axle to the rear axle.
    harness=("SteerNode", "BrakeNode", "Supervisor", "Computer", "VehicleNode", "DriveNode"),
)
