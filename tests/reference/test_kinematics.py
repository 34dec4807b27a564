"""Motion against published kinematics of the bicycle and the unicycle.

Authority: the rows of tests/data/published/kinematics.csv, which name their sources one by one: a published
worked example of Ackermann steering, the formulas of the ros2_controllers document on mobile robot kinematics
(after Siciliano et al. and Lynch and Park) and arithmetic. The tolerance of each row is its own, but no
finer than half of the ninth digit, which is the last that is printed; poses, which are summed record by
record, here every millisecond, have their own.
"""

from __future__ import annotations

import json
import math
from typing import NamedTuple

import numpy as np
import pytest

from canmap.mapping.model import Geometry
from canmap.records.columns import FieldColumn
from canmap.records.motion import MotionBuilder
from tests.published import table
from tests.streams import MS


class Row(NamedTuple):
    """One row: its inputs by name, and what is expected of them."""

    name: str
    inputs: dict[str, float]
    expected: float
    tolerance: float


def tolerance(row: dict[str, str]) -> float:
    expected = abs(float(row["expected"]))
    last_digit = 10.0 ** (math.floor(math.log10(expected)) - 8) if expected else 0.0
    return max(float(row["tolerance"]), last_digit / 2)


def rows(*beginnings: str) -> list[Row]:
    found = [
        Row(row["id"], json.loads(row["inputs_json"]), float(row["expected"]), tolerance(row))
        for row in table("kinematics")
        if row["id"].startswith(beginnings)
    ]
    assert found, f"no row begins with {beginnings}"
    return found


def column(value: float, count: int) -> FieldColumn:
    whole, nothing = np.ones(count, bool), np.zeros(count, bool)
    return FieldColumn(np.full(count, value), whole, np.zeros(count, np.int64), nothing)


def moved(wheelbase: float, speed: float, road_angle: float, t_s: float = 0.0) -> dict[str, float]:
    """Drive for a while with constant speed and angle; the last value of each field."""
    clock = np.arange(round(t_s * 1000) + 1, dtype=np.int64) * MS
    inputs = {"speed": column(speed, len(clock)), "road_angle": column(road_angle, len(clock))}
    motion = MotionBuilder(Geometry(wheelbase=wheelbase)).derive(clock, inputs)
    return {name: float(field.values[-1]) for name, field in motion.items()}


def test_yaw_rate() -> None:
    for row in rows("bike_yaw"):
        said = moved(row.inputs["L_m"], row.inputs["v_mps"], row.inputs["delta_rad"])
        assert said["yaw_rate"] == pytest.approx(row.expected, abs=row.tolerance), row.name


def test_curvature() -> None:
    for row in rows("bike_curv"):
        said = moved(row.inputs["L_m"], 1.0, row.inputs["delta_rad"])
        assert said["curvature"] == pytest.approx(row.expected, abs=row.tolerance), row.name


def test_turn_radius() -> None:
    for row in rows("bike_R"):
        said = moved(row.inputs["L_m"], 1.0, row.inputs["delta_rad"])
        # Its inverse is what we tell; nine digits are printed of it.
        assert 1 / said["curvature"] == pytest.approx(row.expected, abs=row.tolerance), row.name


def test_arcs() -> None:
    wheelbase = 2.0
    for row in rows("arc"):
        speed, rate, t_s = (row.inputs[name] for name in ("v_mps", "omega_rps", "t_s"))
        said = moved(wheelbase, speed, math.atan(wheelbase * rate / speed), t_s)
        field = {"x": "x", "y": "y", "yaw": "heading"}[row.name.rsplit("_", 1)[1]]
        # A chord is short by (turn of a step)^2 / 24, here 4e-9 of 10 m at most; nine digits are printed.
        assert said[field] == pytest.approx(row.expected, abs=1e-7), row.name


def test_a_published_circle_comes_home() -> None:
    by_name = {row.name: row for row in rows("circle")}
    speed, angle = by_name["circle"], by_name["circle_delta"]
    said = moved(angle.inputs["L_m"], speed.expected, angle.expected, speed.inputs["t_s"])
    # Speed and angle are printed with nine digits: 1e-8 of a way of 63 m.
    assert (said["x"], said["y"]) == pytest.approx((0, 0), abs=1e-6)
    assert said["heading"] == pytest.approx(2 * math.pi, abs=1e-7)


def test_lateral_acceleration_is_speed_times_yaw_rate() -> None:
    wheelbase = 2.7
    for row in rows("ay_"):
        speed, radius = row.inputs["v_mps"], row.inputs["R_m"]
        said = moved(wheelbase, speed, math.atan(wheelbase / radius))
        assert speed * said["yaw_rate"] == pytest.approx(row.expected, abs=row.tolerance), row.name
