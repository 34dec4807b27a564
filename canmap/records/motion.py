"""Derived: plane motion from speed and steering, by the kinematic bicycle and dead reckoning.

Reference point is the centre of the rear axle: curvature = tan(road angle) / wheelbase, yaw rate =
speed * curvature (R. Rajamani, Vehicle Dynamics and Control, 2nd ed., section 2.2, from memory, with the
rear axle as reference). The pose is summed record by record with mean values, in strict order, so that no
cutting of the stream changes a bit.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canmap.records.columns import FieldColumn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.mapping.model import Geometry

Number = TypeVar("Number", np.bool_, np.int64, np.float64)
FIELDS = ("speed", "yaw_rate", "curvature", "x", "y", "heading", "segment")


def derived_ages(inputs: Mapping[str, int | None]) -> dict[str, int | None]:
    """Return the age from which on each field of Motion is dead, from that of its inputs; None for never.

    What has two inputs has the age of the older one and the larger bound of both: a stricter one holds with
    the next record.
    """
    speed, steering = inputs.get("speed"), inputs.get("wheel_angle", inputs.get("road_angle"))
    either = None if speed is None or steering is None else max(speed, steering)
    return {**dict.fromkeys(FIELDS, either), "speed": speed, "curvature": steering}


class MotionBuilder:
    """Derives Motion records and carries the pose.

    The pose starts at the first record whose inputs are valid. Once they were lost, or no record came for too
    long, it is not known any more: with the next valid inputs a new segment begins at the origin.

    Args:
        geometry: Needs the wheelbase, and the steering ratio where the input is the steering wheel's angle.
        longest_step_ns: Time between two records from which on nobody knows what was between; None for never.
    """

    def __init__(self, geometry: Geometry, longest_step_ns: int | None = None) -> None:
        self._wheelbase = geometry.wheelbase or np.nan
        self._ratio = geometry.steering_ratio or np.nan
        self._longest_step_ns = np.inf if longest_step_ns is None else longest_step_ns
        self._clock_ns: int | None = None
        self._speed = self._yaw_rate = 0.0
        self._pose = np.zeros(3)  # x, y, heading
        self._segment = 0
        self._valid = False  # the inputs of the last record

    def derive(self, clock: NDArray[np.int64], inputs: Mapping[str, FieldColumn]) -> dict[str, FieldColumn]:
        """Return the fields of Motion from the inputs `speed` and `wheel_angle` or `road_angle`."""
        speed = inputs["speed"]
        if "road_angle" in inputs:
            steering, road_angle = inputs["road_angle"], inputs["road_angle"].values
        else:
            steering, road_angle = inputs["wheel_angle"], inputs["wheel_angle"].values / self._ratio
        with np.errstate(invalid="ignore", over="ignore"):
            curvature = np.tan(road_angle) / self._wheelbase
            yaw_rate = speed.values * curvature
            turns = steering.valid & np.isfinite(curvature)
            valid = speed.valid & turns & np.isfinite(yaw_rate)
            pose, segment, known = self._reckon(
                clock, np.where(valid, speed.values, 0.0), np.where(valid, yaw_rate, 0.0), valid
            )
        age_ns = np.where(
            (speed.age_ns < 0) | (steering.age_ns < 0), -1, np.maximum(speed.age_ns, steering.age_ns)
        )
        nothing = np.zeros(len(clock), np.bool_)

        def column(values: NDArray[np.float64] | NDArray[np.int64], where: NDArray[np.bool_]) -> FieldColumn:
            return FieldColumn(values, where, age_ns, nothing)

        return {
            "speed": speed,
            "yaw_rate": column(yaw_rate, valid),
            "curvature": FieldColumn(curvature, turns, steering.age_ns, nothing),
            "x": column(pose[0], known),
            "y": column(pose[1], known),
            "heading": column(pose[2], known),
            "segment": column(segment, known),
        }

    def _reckon(
        self,
        clock: NDArray[np.int64],
        speed: NDArray[np.float64],
        yaw_rate: NDArray[np.float64],
        valid: NDArray[np.bool_],
    ) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.bool_]]:
        """Pose float64[3, n] and number of the segment int64[n] at each record, and where these are known."""
        step_ns = clock - _one_before(int(clock[0]) if self._clock_ns is None else self._clock_ns, clock)
        goes_on = valid & _one_before(self._valid, valid) & (step_ns <= self._longest_step_ns)
        begins = valid & ~goes_on
        segment = self._segment + np.cumsum(begins, dtype=np.int64)
        step_s = step_ns / 1e9
        mean_speed = (speed + _one_before(self._speed, speed)) / 2
        mean_rate = (yaw_rate + _one_before(self._yaw_rate, yaw_rate)) / 2
        path = np.empty((3, len(clock) + 1))
        path[:, 0] = self._pose
        x, y, heading = path
        bounds = [0, *(np.flatnonzero(begins) + 1).tolist(), len(clock) + 1]
        _sum_up(heading, np.where(goes_on, mean_rate * step_s, 0.0), bounds)
        middle = (heading[1:] + heading[:-1]) / 2
        _sum_up(x, np.where(goes_on, mean_speed * np.cos(middle) * step_s, 0.0), bounds)
        _sum_up(y, np.where(goes_on, mean_speed * np.sin(middle) * step_s, 0.0), bounds)
        pose = path[:, 1:]
        self._clock_ns, self._pose, self._segment = int(clock[-1]), pose[:, -1], int(segment[-1])
        self._speed, self._yaw_rate, self._valid = float(speed[-1]), float(yaw_rate[-1]), bool(valid[-1])
        return pose, segment, valid & np.isfinite(pose).all(axis=0)


def _sum_up(path: NDArray[np.float64], steps: NDArray[np.float64], bounds: Sequence[int]) -> None:
    """Write behind the first of `path` the sum of the steps so far, anew from 0 at each inner bound."""
    path[1:] = steps
    path[bounds[1:-1]] = 0.0
    for start, end in pairwise(bounds):
        np.add.accumulate(path[start:end], out=path[start:end])


def _one_before(first: float, values: NDArray[Number]) -> NDArray[Number]:
    """Return what stands before each of some values: `first` before the first."""
    before = np.empty_like(values)
    before[0] = first
    before[1:] = values[:-1]
    return before
