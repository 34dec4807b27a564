"""Real input: a recorded road drive gives the data set's own decoded values, and no false alarm.

Source: the open data set comma2k19 (MIT licence), H. Schafer et al., "A Commute in Data: The comma2k19
Dataset", arXiv:1812.05752 (2018), the example segment of its repository: its decoded steering-wheel angle
and wheel speeds are the reference.
"""

from __future__ import annotations

import csv
import gzip
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from tests.reference.road import BODY, SPEC, STEER, WHEELS, recording, serious, times_s

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from canmap.results.inspection import Inspection


@pytest.fixture(scope="module")
def result(shared: Path) -> Inspection:
    capture = shared / "road-drive" / "frames.log.gz"
    return canmap.inspect(str(capture), canmap.load_spec(str(SPEC)), keep=["steering", "wheels"])


def reference(shared: Path, name: str) -> NDArray[np.float64]:
    with gzip.open(shared / "road-drive" / name, "rt", encoding="ascii", newline="") as file:
        rows = list(csv.reader(file))
    return np.array(rows[1:], np.float64).T


def test_steering_angle_is_that_of_the_data_set(shared: Path, result: Inspection) -> None:
    time_s, angle_deg = reference(shared, "steering_angle.csv.gz")
    steering = result.records["steering"]
    # The reference has one row more than 30 s hold; its times are those of the frames to the microsecond.
    count = len(steering)
    assert count in (len(angle_deg), len(angle_deg) - 1)
    assert np.abs(steering.stamp_ns / 1e9 - time_s[:count]).max() < 1e-6
    assert np.abs(np.degrees(steering.wheel_angle.values) - angle_deg[:count]).max() < 1e-9
    assert steering.wheel_angle.valid.all()


def test_wheel_speeds_are_those_of_the_data_set(shared: Path, result: Inspection) -> None:
    _, *speeds = reference(shared, "wheel_speeds.csv.gz")
    wheels = result.records["wheels"]
    for name, speed in zip(("front_left", "front_right", "rear_left", "rear_right"), speeds, strict=True):
        column = wheels.columns[name]
        assert np.abs(column.values - speed[: len(wheels)]).max() < 1e-9
        assert column.valid.all()


def test_clean_recording_has_no_error_and_no_warning(result: Inspection) -> None:
    assert serious(result) == []
    assert result.verdict == "pass"


def test_every_frame_is_counted(shared: Path, result: Inspection) -> None:
    lines = recording(shared)
    assert result.capture.frames == len(lines) == 49_404
    counts = {message.can_id: message.count for message in result.messages}
    assert counts == {can_id: len(times_s(lines, can_id)) for can_id in (STEER, WHEELS, BODY)}
    unknown = {can_id: count for channel, can_id, _, count in result.unknown_ids if channel == "can0"}
    assert sum(unknown.values()) + sum(counts.values()) == sum(line.channel == "can0" for line in lines)


def test_float_limits_would_give_false_alarms(result: Inspection) -> None:
    """AngleFine is limited to 0.7 in steps of 0.1: compared as floats, the value 7 * 0.1 is above it."""
    assert 7 * 0.1 > 0.7
    assert not any(finding.kind == "out_of_range" for finding in result.findings)
