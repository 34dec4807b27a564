"""The vehicle's vocabulary: every record type, its fields, their units and signs.

Axes follow REP-103 (x forward, y left, z up; angles positive to the left, counter-clockwise seen from
above); speed is positive forward. Values are SI. A field that is not known, or no longer, is None.
The classes are what a program gets row by row; columns carry the same fields.
"""

from __future__ import annotations

from dataclasses import field, fields
from enum import IntEnum
from typing import Any

from canmap.base.dataclass import public_dataclass


class AxisState(IntEnum):
    """What an actuator of the kit is doing."""

    OFF = 0
    STANDBY = 1
    READY = 2
    ACTIVE = 3
    OVERRIDDEN = 4
    FAULTED = 5


class ControlMode(IntEnum):
    """Who drives, or why only the driver may."""

    MANUAL = 0
    REMOTE = 1
    AUTONOMOUS = 2
    FAULT = 3
    STARTING = 4  # switched on, and not ready yet
    STOPPED = 5  # by the e-stop chain


class Gear(IntEnum):
    """Selected direction of travel."""

    PARK = 0
    REVERSE = 1
    NEUTRAL = 2
    FORWARD = 3


def quantity(unit: str, meaning: str) -> Any:
    """Declare a record field: its SI unit ("1" for a plain number) and its meaning with the sign."""
    return field(default=None, metadata={"unit": unit, "meaning": meaning})


def choice(kind: type[IntEnum] | type[bool] | type[int], meaning: str) -> Any:
    """Declare a record field that is a state, a yes or no, or a code."""
    return field(default=None, metadata={"unit": "", "kind": kind, "meaning": meaning})


def plain_choice(value: bool | int) -> bool | int | str:
    """Return a value of such a field as the spec and the JSON write it: a state by its name in lower case."""
    return value.name.lower() if isinstance(value, IntEnum) else value


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What every record carries.

    Attributes:
        t_s: Session time in seconds.
        stamp_ns: The stamp of the frame that it is stamped by, as the source wrote it.
    """

    t_s: float
    stamp_ns: int


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Steering(Record):
    """The steering column and the road wheels."""

    wheel_angle: float | None = quantity("rad", "steering wheel, positive to the left")
    wheel_rate: float | None = quantity("rad/s", "of the steering wheel, positive to the left")
    torque: float | None = quantity("N m", "on the column, positive to the left")
    road_angle: float | None = quantity("rad", "of the road wheels, positive to the left")
    state: AxisState | None = choice(AxisState, "of the steering actuator")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Drive(Record):
    """The drive train."""

    speed: float | None = quantity("m/s", "of the vehicle, positive forward")
    acceleration: float | None = quantity("m/s^2", "of the vehicle, positive forward")
    throttle: float | None = quantity("1", "of full travel, 0 to 1")
    motor_speed: float | None = quantity("rad/s", "of the motor, positive forward")
    motor_torque: float | None = quantity("N m", "of the motor, positive forward")
    gear: Gear | None = choice(Gear, "selected direction")
    state: AxisState | None = choice(AxisState, "of the drive actuator")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Brake(Record):
    """The brakes."""

    effort: float | None = quantity("1", "of full braking, 0 to 1")
    pedal: float | None = quantity("1", "of full travel, 0 to 1")
    pressure: float | None = quantity("Pa", "in the brake circuit")
    parking: bool | None = choice(bool, "parking brake set")
    state: AxisState | None = choice(AxisState, "of the brake actuator")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Wheels(Record):
    """Speeds at the rim, positive forward."""

    front_left: float | None = quantity("m/s", "positive forward")
    front_right: float | None = quantity("m/s", "positive forward")
    rear_left: float | None = quantity("m/s", "positive forward")
    rear_right: float | None = quantity("m/s", "positive forward")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Battery(Record):
    """The traction battery."""

    charge: float | None = quantity("1", "of full charge, 0 to 1")
    voltage: float | None = quantity("V", "at the terminals")
    current: float | None = quantity("A", "positive when discharging")
    temperature: float | None = quantity("K", "of the warmest cell that is reported")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Stop(Record):
    """The e-stop chain, a record for each source: a button, the radio link, the stop loop."""

    pressed: bool | None = choice(bool, "the button is pressed")
    link_lost: bool | None = choice(bool, "the radio link to the remote button is lost")
    loop_open: bool | None = choice(bool, "the stop loop is open, whoever opened it")
    supply_cut: bool | None = choice(bool, "the supply of the kit is cut")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Control(Record):
    """Who drives, and why."""

    mode: ControlMode | None = choice(ControlMode, "who drives")
    reason: int | None = choice(int, "the kit's reason code")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class Motion(Record):
    """Derived: the plane motion of the centre of the rear axle (kinematic bicycle, dead reckoning).

    Where an input is lost, the pose is lost: it begins anew at the origin, as the next segment, with the next
    valid inputs. Poses of different segments are not comparable.
    """

    speed: float | None = quantity("m/s", "positive forward")
    yaw_rate: float | None = quantity("rad/s", "positive to the left")
    curvature: float | None = quantity("1/m", "of the path, positive to the left")
    x: float | None = quantity("m", "from the start of the segment, forward there")
    y: float | None = quantity("m", "from the start of the segment, left there")
    heading: float | None = quantity("rad", "from the start of the segment, positive to the left")
    segment: int | None = choice(
        int, "of the pose: 1, 2, ...; poses of different segments are not comparable"
    )


@public_dataclass(frozen=True, slots=True, kw_only=True)
class SteeringDemand(Record):
    """What the computer asks of the steering."""

    wheel_angle: float | None = quantity("rad", "steering wheel, positive to the left")
    road_angle: float | None = quantity("rad", "of the road wheels, positive to the left")
    curvature: float | None = quantity("1/m", "of the path, positive to the left")
    rate_limit: float | None = quantity("rad/s", "largest rate of the steering wheel")
    torque: float | None = quantity("N m", "on the column, positive to the left")
    enable: bool | None = choice(bool, "the enable bit")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class DriveDemand(Record):
    """What the computer asks of the drive train."""

    speed: float | None = quantity("m/s", "positive forward")
    acceleration: float | None = quantity("m/s^2", "positive forward")
    throttle: float | None = quantity("1", "of full travel, 0 to 1")
    gear: Gear | None = choice(Gear, "wanted direction")
    enable: bool | None = choice(bool, "the enable bit")


@public_dataclass(frozen=True, slots=True, kw_only=True)
class BrakeDemand(Record):
    """What the computer asks of the brakes."""

    effort: float | None = quantity("1", "of full braking, 0 to 1")
    pedal: float | None = quantity("1", "of full travel, 0 to 1")
    pressure: float | None = quantity("Pa", "in the brake circuit")
    deceleration: float | None = quantity("m/s^2", "positive when slowing down")
    parking: bool | None = choice(bool, "parking brake wanted")
    enable: bool | None = choice(bool, "the enable bit")


CORE_TYPES: dict[str, type[Record]] = {
    kind.__name__: kind
    for kind in (
        *(Steering, Drive, Brake, Wheels, Battery, Stop, Control, Motion),
        *(SteeringDemand, DriveDemand, BrakeDemand),
    )
}


DEMAND_TYPES: tuple[type[Record], ...] = (SteeringDemand, DriveDemand, BrakeDemand)


@public_dataclass(frozen=True, slots=True)
class FieldType:
    """What a record field holds.

    Attributes:
        name: Field name.
        unit: SI unit, "1" for a plain number, "" for a choice.
        meaning: What it says, with the sign.
        kind: float for a quantity; bool, int or an IntEnum for a choice.
    """

    name: str
    unit: str
    meaning: str
    kind: type


def field_types(record_type: type[Record]) -> dict[str, FieldType]:
    """Return the fields that a spec can map in `record_type`, in their order."""
    return {
        item.name: FieldType(
            item.name, item.metadata["unit"], item.metadata["meaning"], item.metadata.get("kind", float)
        )
        for item in fields(record_type)
        if item.metadata
    }
