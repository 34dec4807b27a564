"""Records to the columns of messages: which of them can be sent, and what each field then holds.

Units and signs are those of the message type. A standard type has no room for a value that is not valid: such
a record is not sent on it, but where its definition allows NaN. An own type carries validity and age.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.topics.topic import MessageForm
from canmap.vocabulary.record_types import field_types
from canmap.vocabulary.ros_names import message_fields

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from canmap.mapping.model import Geometry
    from canmap.records.columns import FieldColumn, RecordChunk
    from canmap.topics.topic import Topic

Columns = dict[str, Any]
ZERO_CELSIUS_K = 273.15
NAN = float("nan")


def record_columns(
    topic: Topic, chunk: RecordChunk, geometry: Geometry
) -> tuple[NDArray[np.bool_] | None, Columns]:
    """Return which records of a chunk can be sent on a topic, bool[n], None for all, and its columns of [n].

    The header is not among them, and what stands in a row that is not sent has no meaning.
    """
    return _FORMS[topic.form](topic, chunk, geometry)


def _own(_topic: Topic, chunk: RecordChunk, _geometry: Geometry) -> tuple[None, Columns]:
    columns: Columns = {}
    for name, field in field_types(chunk.type).items():
        column = chunk.columns.get(name)
        nothing = NAN if field.kind is float else 0
        made: tuple[Any, ...] = (
            field.kind(nothing),
            False,
            NAN,
            False,
        )  # of a field that the spec does not map
        if column is not None:
            values = np.where(column.valid, column.values, column.values.dtype.type(nothing))
            age_s = np.where(column.age_ns < 0, NAN, column.age_ns / 1e9)
            made = (
                values.astype(np.bool_) if field.kind is bool else values,
                column.valid,
                age_s,
                column.flagged,
            )
        columns.update(zip(message_fields(name), made, strict=True))
    return None, columns


def _odometry(topic: Topic, chunk: RecordChunk, geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    pose_sent, pose = _pose(chunk, geometry, "pose.pose.position", "pose.pose.orientation")
    twist_sent, twist = _twist(topic, chunk, geometry)
    covariances = {"child_frame_id": topic.child_frame_id, "pose.covariance": topic.pose_covariance}
    return pose_sent & twist_sent, {**covariances, **pose, **twist}


def _transform(topic: Topic, chunk: RecordChunk, geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    sent, pose = _pose(chunk, geometry, "transform.translation", "transform.rotation")
    return sent, {"child_frame_id": topic.child_frame_id, **pose}


def _pose(
    chunk: RecordChunk, geometry: Geometry, position: str, orientation: str
) -> tuple[NDArray[np.bool_], Columns]:
    """The pose of the reference point, which starts at the origin as the centre of the rear axle does."""
    x, y, heading = (chunk.columns[name] for name in ("x", "y", "heading"))
    ahead = geometry.reference_point
    return x.valid & y.valid & heading.valid, {
        f"{position}.x": x.values + ahead * (np.cos(heading.values) - 1.0),
        f"{position}.y": y.values + ahead * np.sin(heading.values),
        f"{orientation}.z": np.sin(heading.values / 2),
        f"{orientation}.w": np.cos(heading.values / 2),
    }


def _twist(topic: Topic, chunk: RecordChunk, geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    """Speeds of the reference point in its own frame: one ahead of the rear axle moves sideways in a bend."""
    speed, yaw_rate = chunk.columns["speed"], chunk.columns["yaw_rate"]
    return speed.valid & yaw_rate.valid, {
        "twist.twist.linear.x": speed.values,
        "twist.twist.linear.y": geometry.reference_point * yaw_rate.values,
        "twist.twist.angular.z": yaw_rate.values,
        "twist.covariance": topic.twist_covariance,
    }


def _ackermann(_topic: Topic, chunk: RecordChunk, geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    """Angles of the road wheels; `speed` and `acceleration` stand beside the steering's own fields."""
    columns, ratio = chunk.columns, geometry.steering_ratio or NAN
    wheel = columns.get("road_angle") or columns["wheel_angle"]
    per_wheel = 1.0 if "road_angle" in columns else ratio
    sent = wheel.valid & np.isfinite(wheel.values / per_wheel) & columns["speed"].valid
    made = {"drive.steering_angle": wheel.values / per_wheel, "drive.speed": columns["speed"].values}
    if "wheel_rate" in columns and geometry.steering_ratio:
        sent = sent & columns["wheel_rate"].valid
        made["drive.steering_angle_velocity"] = columns["wheel_rate"].values / ratio
    if "acceleration" in columns:
        sent = sent & columns["acceleration"].valid
        made["drive.acceleration"] = columns["acceleration"].values
    return sent, made


def _wheel_speeds(_topic: Topic, chunk: RecordChunk, geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    names = list(chunk.columns)
    sent = np.logical_and.reduce([column.valid for column in chunk.columns.values()])
    speeds = np.stack([column.values for column in chunk.columns.values()], axis=1)
    return sent, {
        "name": tuple(f"{name}_wheel" for name in names),
        "velocity": speeds / (geometry.rolling_radius or NAN),
    }


def _battery(_topic: Topic, chunk: RecordChunk, _geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    """The definition asks for the voltage; whatever else is not measured is NaN in it."""

    def or_nan(name: str, factor: float = 1.0, offset: float = 0.0) -> Any:
        column = chunk.columns.get(name)
        return NAN if column is None else np.where(column.valid, column.values * factor + offset, NAN)

    voltage = chunk.columns["voltage"]
    return voltage.valid, {
        "voltage": voltage.values,
        "current": or_nan("current", factor=-1.0),  # negative when discharging, unlike ours
        "temperature": or_nan("temperature", offset=-ZERO_CELSIUS_K),
        "percentage": or_nan("charge"),
        "charge": NAN,
        "capacity": NAN,
        "design_capacity": NAN,
        "present": True,
    }


def _stop_active(_topic: Topic, chunk: RecordChunk, _geometry: Geometry) -> tuple[NDArray[np.bool_], Columns]:
    """Whether anything stops the vehicle: known where one thing does, or where all are known not to."""
    active, known = stop_state(chunk.columns.values(), len(chunk))
    return known, {"data": active}


def stop_state(columns: Iterable[FieldColumn], count: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return whether any of the yes-or-no fields says yes, and whether that is known, both bool[count]."""
    active, all_known = np.zeros(count, np.bool_), np.ones(count, np.bool_)
    for column in columns:
        active |= column.valid & (column.values != 0)
        all_known &= column.valid
    return active, active | all_known


_FORMS: Mapping[
    MessageForm,
    Callable[[Topic, RecordChunk, Geometry], tuple[NDArray[np.bool_] | None, Columns]],
] = {
    MessageForm.OWN: _own,
    MessageForm.ODOMETRY: _odometry,
    MessageForm.TWIST: _twist,
    MessageForm.TRANSFORM: _transform,
    MessageForm.ACKERMANN: _ackermann,
    MessageForm.WHEEL_SPEEDS: _wheel_speeds,
    MessageForm.BATTERY: _battery,
    MessageForm.STOP_ACTIVE: _stop_active,
}
