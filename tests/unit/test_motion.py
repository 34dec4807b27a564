"""Dead reckoning against the closed form: straight lines, constant turns, and what is lost."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canmap.mapping.model import Geometry
from canmap.records.columns import FieldColumn
from canmap.records.motion import MotionBuilder
from tests.streams import MS

L = 2.0


def column(values: np.ndarray, valid: np.ndarray | None = None) -> FieldColumn:
    count = len(values)
    return FieldColumn(
        np.asarray(values, np.float64),
        np.ones(count, bool) if valid is None else valid,
        np.zeros(count, np.int64),
        np.zeros(count, bool),
    )


def driven(
    speed: np.ndarray, road_angle: np.ndarray, step_ms: float = 10, valid: np.ndarray | None = None
) -> dict[str, FieldColumn]:
    clock = (np.arange(len(speed)) * step_ms * MS).astype(np.int64)
    inputs = {"speed": column(speed, valid), "road_angle": column(road_angle)}
    return MotionBuilder(Geometry(wheelbase=L)).derive(clock, inputs)


def pose(motion: dict[str, FieldColumn], place: int = -1) -> tuple[float, float, float]:
    return tuple(float(motion[name].values[place]) for name in ("x", "y", "heading"))  # type: ignore[return-value]


def test_a_straight_line() -> None:
    # 5 m/s for 2 s forward, then 1 m/s back for 3 s: 10 m - 3 m, but for the one step of 10 ms between,
    # in which the mean speed is (5 - 1) / 2 = 2 m/s.
    speed = np.concatenate((np.full(201, 5.0), np.full(300, -1.0)))
    x, y, heading = pose(driven(speed, np.zeros(501)))
    assert x == pytest.approx(10.0 + 2.0 * 0.01 - 2.99, abs=1e-9)
    assert (y, heading) == (0.0, 0.0)


def test_even_acceleration_is_exact() -> None:
    # v = a t: x = a t^2 / 2, and the mean of neighbours is exact for a straight line.
    t_s = np.arange(301) * 0.01
    x, _, _ = pose(driven(1.5 * t_s, np.zeros(301)))
    assert x == pytest.approx(1.5 * 3.0**2 / 2, rel=1e-12)


@pytest.mark.parametrize("road_angle", [0.3, -0.3])
@pytest.mark.parametrize("speed", [2.0, -2.0])
def test_a_constant_turn(road_angle: float, speed: float) -> None:
    # R = L / tan(angle); heading = v t / R; x = R sin(heading), y = R (1 - cos(heading)).
    t_s, radius = 6.0, L / math.tan(road_angle)
    turned = speed * t_s / radius
    x, y, heading = pose(driven(np.full(601, speed), np.full(601, road_angle)))
    assert heading == pytest.approx(turned, rel=1e-12)
    # A chord with the middle heading is short by (turn of a step)^2 / 24: 3.1 mrad a step, 4e-7.
    assert x == pytest.approx(radius * math.sin(turned), abs=1e-5)
    assert y == pytest.approx(radius * (1 - math.cos(turned)), abs=1e-5)
    assert math.copysign(1, y) == math.copysign(1, road_angle)  # left is positive, forward or back


def test_a_full_circle_comes_home() -> None:
    steps = 1000
    radius = L / math.tan(0.25)
    speed = 2 * math.pi * radius / (steps * 0.01)
    x, y, heading = pose(driven(np.full(steps + 1, speed), np.full(steps + 1, 0.25)))
    assert heading == pytest.approx(2 * math.pi, rel=1e-12)
    assert (x, y) == pytest.approx((0, 0), abs=1e-9)


def test_yaw_rate_and_curvature() -> None:
    motion = driven(np.array([3.0, -3.0, 0.0]), np.array([0.2, 0.2, -0.2]))
    curvature = math.tan(0.2) / L
    assert motion["curvature"].values == pytest.approx([curvature, curvature, -curvature])
    assert motion["yaw_rate"].values == pytest.approx([3 * curvature, -3 * curvature, 0])


def test_the_steering_wheel_goes_through_the_ratio() -> None:
    builder = MotionBuilder(Geometry(wheelbase=L, steering_ratio=15.0))
    inputs = {"speed": column(np.array([1.0])), "wheel_angle": column(np.array([3.0]))}
    motion = builder.derive(np.zeros(1, np.int64), inputs)
    assert motion["curvature"].values[0] == pytest.approx(math.tan(3.0 / 15.0) / L)


def known(motion: dict[str, FieldColumn], field: str) -> list[float | None]:
    column = motion[field]
    return [
        value if there else None for value, there in zip(column.values.tolist(), column.valid, strict=True)
    ]


def test_a_lost_pose_begins_anew_at_the_origin_as_the_next_segment() -> None:
    valid = np.array([False, True, True, True, False, True, True])
    motion = driven(np.full(7, 1.0), np.full(7, 0.2), step_ms=1000, valid=valid)
    turn = math.tan(0.2) / L  # a second at 1 m/s
    assert known(motion, "segment") == [None, 1, 1, 1, None, 2, 2]
    assert known(motion, "heading") == pytest.approx([None, 0.0, turn, 2 * turn, None, 0.0, turn])
    forward = [math.cos(turn / 2), math.cos(turn * 3 / 2)]  # of a step: the chord with its middle heading
    assert known(motion, "x") == pytest.approx([None, 0.0, forward[0], sum(forward), None, 0.0, forward[0]])
    assert motion["segment"].values.dtype == np.int64
    assert motion["yaw_rate"].valid.tolist() == valid.tolist()
    assert motion["curvature"].valid.all()  # needs the steering alone


def test_a_segment_begins_anew_in_the_next_chunk_too() -> None:
    builder = MotionBuilder(Geometry(wheelbase=L))
    told = []
    for begin, valid in ((0, [True, True]), (2, [True, False]), (4, [True, True]), (6, [True, False])):
        clock = np.array([begin, begin + 1], np.int64) * 1000 * MS
        inputs = {"speed": column(np.ones(2), np.array(valid)), "road_angle": column(np.zeros(2))}
        motion = builder.derive(clock, inputs)
        told += list(zip(known(motion, "segment"), known(motion, "x"), strict=True))
    assert told == [(1, 0), (1, 1), (1, 2), (None, None), (2, 0), (2, 1), (2, 2), (None, None)]


def test_a_segment_ends_where_no_record_came_for_too_long() -> None:
    builder = MotionBuilder(Geometry(wheelbase=L), longest_step_ns=100 * MS)
    clock = np.array([0, 100, 200, 301, 401]) * MS
    for part, segments, x in ((clock[:2], [1, 1], [0, 0.1]), (clock[2:], [1, 2, 2], [0.2, 0, 0.1])):
        inputs = {"speed": column(np.ones(len(part))), "road_angle": column(np.zeros(len(part)))}
        motion = builder.derive(part, inputs)
        assert known(motion, "segment") == segments
        assert known(motion, "x") == pytest.approx(x)
        assert motion["yaw_rate"].valid.all()


def test_a_pose_that_grows_beyond_any_number_is_not_known_until_the_inputs_come_anew() -> None:
    valid = np.array([True, True, True, True, False, True])
    motion = driven(np.full(6, 1e308), np.zeros(6), step_ms=10_000, valid=valid)  # overflows with a step
    assert known(motion, "x") == [0.0, None, None, None, None, 0.0]
    assert known(motion, "segment") == [1, None, None, None, None, 2]


def test_an_input_that_never_came_has_no_age() -> None:
    inputs = {"speed": column(np.ones(3)), "road_angle": column(np.zeros(3), np.array([False, True, True]))}
    ages = {"speed": np.array([5, 5, -1]), "road_angle": np.array([-1, 7, 7])}
    inputs = {name: replace(one, age_ns=ages[name]) for name, one in inputs.items()}
    motion = MotionBuilder(Geometry(wheelbase=L)).derive(np.arange(3) * MS, inputs)
    assert motion["yaw_rate"].age_ns.tolist() == [-1, 7, -1]
    assert motion["x"].age_ns.tolist() == [-1, 7, -1]


def test_motion_beyond_what_a_float_holds_is_no_value() -> None:
    motion = driven(np.full(3, 1.7e308), np.full(3, 1.5))
    assert not motion["yaw_rate"].valid.any()
    assert not motion["x"].valid.any()
