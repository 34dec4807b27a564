"""A factor or a unit that is wrong in a first spec, which a second source of the same value tells.

1 m/s is 3.6 km/h, and 1 rad is 180 / pi degrees, by definition.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from tests import values
from tests.finding_numbers import lacking
from tests.kits import of_kind, row, spec_of
from tests.streams import frames, inspected
from tests.unit.test_judged_values import follow
from tests.values import PEDAL, PEDAL_B, SPEED, pedal, speed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.findings.finding import Finding

PAIR = "redundant: {pedal: {signals: [Pedal.First, PedalB.Second], slope: same, tolerance: 1 %}}\n"
UNIT = "check the `unit` of both."
SPEEDS, ANGLES = (3.6, 1 / 3.6), (180 / math.pi, math.pi / 180)
SAID = {
    10: "It is about 10 times {}: check the `factor` of both.",
    0.1: "It is about 0.1 times {}: check the `factor` of both.",
    3.6: f"It is about 3.6 times {{}}: as if it were in km/h and the other in m/s; {UNIT}",
    1 / 3.6: f"It is about 0.278 times {{}}: as if it were in m/s and the other in km/h; {UNIT}",
    180 / math.pi: f"It is about 57.3 times {{}}: as if it were in degrees and the other in radians; {UNIT}",
    math.pi
    / 180: f"It is about 0.0175 times {{}}: as if it were in radians and the other in degrees; {UNIT}",
}


def found(folder: Path, rows: list, text: str, kind: str) -> list[Finding]:
    """The findings of a kind, the same however the stream is cut."""
    spec = spec_of(folder, values.KIT, text, periods_ms=values.PERIODS_MS)
    whole = frames(sorted(rows, key=lambda one: one[0]))
    told = [
        of_kind(inspected(chunks, spec)[0], kind)
        for chunks in ([whole], whole.split([7, 60, 61]), whole.split(range(0, len(whole), 13)))
    ]
    assert told[0] == told[1] == told[2]
    assert told[0]
    assert [lacking(one) for one in told[0]] == [[]] * len(told[0])
    return told[0]


def tracking(folder: Path, reported: Callable[[float], float], course: Callable[[float], float]) -> list:
    rows = follow(course, reported, until_ms=2000)
    return found(folder, rows, values.RECORDS + values.AXES, "tracking")


def bend(by: float) -> Callable[[float], float]:
    return lambda t: by * math.sin(t / 200)


@pytest.mark.parametrize("factor", [10, 0.1, *ANGLES])
def test_a_report_that_is_a_factor_away_from_its_demand_is_told(tmp_path: Path, factor: float) -> None:
    size = 20 if factor > 1 else 900  # what the report can hold, in the steps that it has
    first, *others = tracking(tmp_path, lambda t: factor * bend(size)(t - 20), bend(size))
    assert first.text.endswith(SAID[factor].format("demand.wheel_angle"))
    assert (first.facts["wrong"], first.facts["times"]) == ("scale", pytest.approx(factor, rel=0.01))
    assert not [one for one in others if "It is about" in one.text]


def test_no_other_factor_is_told(tmp_path: Path) -> None:
    still = lambda _: 20  # noqa: E731
    for reported, course in [
        *(
            (lambda t, by=by: by * bend(20)(t - 20), bend(20))
            for by in (-10, 0, 0.3, 0.5, 2, *SPEEDS, 5, 8, 12)
        ),
        (lambda t: 200 if t < 1000 else 72, still),  # what stands may be off by any factor
        (lambda _: 200, bend(20)),
        (lambda t: bend(20)(t - 20) * (10 if t < 1000 else 1), bend(20)),  # not from the start
        (lambda t: 100 + bend(20)(t - 20), bend(20)),
    ]:
        assert not [one for one in tracking(tmp_path, reported, course) if "It is about" in one.text]


@pytest.mark.parametrize("factor", SAID)
@pytest.mark.parametrize(
    ("unit", "slope", "size", "factors"),
    [
        ("%", "same", 1, (10, 0.1)),
        ("counts", "half", 0.5, (10, 0.1)),
        ("km/h", "same", 1, (10, 0.1, *SPEEDS)),
        ("mph", "half", 0.5, (10, 0.1, *SPEEDS)),
        ("deg", "same", 1, (10, 0.1, *ANGLES)),
        ("deg/s", "half", 0.5, (10, 0.1, *ANGLES)),
    ],
)
def test_a_pair_one_of_which_has_a_wrong_factor_is_told(
    tmp_path: Path, factor: float, unit: str, slope: str, size: float, factors: tuple[float, ...]
) -> None:
    """Both say the same in their frames, of half its slope or not; the description of the first is wrong."""
    rows = []
    for i in range(300):
        effort = 50 + 45 * math.sin(i / 30)
        rows += [row(10 * i + 1, PEDAL, pedal(effort)), row(10 * i, PEDAL_B, pedal(effort * size))]
    corrected = {"Pedal.First": 0.5 * factor, "PedalB.Second": 0.5}
    wrong = "correct:\n" + "".join(
        f"  {name}: {{factor: {value:.6f}, unit: '{unit}', reason: a test}}\n"
        for name, value in corrected.items()
    )
    first, *others = found(tmp_path, rows, wrong + PAIR.replace("same", slope), "disagree")
    assert first.text.endswith(SAID[factor].format("PedalB.Second")) == (factor in factors)
    assert first.says_what_to_correct == (factor in factors)
    assert first.place.signal == "First"
    assert not [one for one in others if "It is about" in one.text]


@pytest.mark.parametrize("lag", ["", ", lag: 5 ms"])
def test_a_wheel_in_km_h_beside_a_vehicle_in_m_s_is_told(tmp_path: Path, lag: str) -> None:
    """Both frames hold the same number of steps of 0.1 km/h; the description calls those of the wheel m/s."""
    kit = values.KIT + 'BO_ 1536 Rim: 8 Node\n SG_ Speed : 0|16@1- (0.1,0) [0|0] "m/s" Other\n'
    pair = f"{{fields: [wheels.rear_left, drive.speed], tolerance: 2 km/h{lag}}}"
    text = (
        "records:\n"
        "  drive: {type: Drive, stamp: Wheels, speed: Wheels.Speed}\n"
        "  wheels: {type: Wheels, stamp: Rim, rear_left: Rim.Speed}\n"
        f"redundant: {{speed: {pair}}}\n"
    )
    spec = spec_of(tmp_path, kit, text, periods_ms=values.PERIODS_MS | {0x600: 10})
    rows = []
    for i in range(300):
        kmh = 20 + 18 * math.sin(i / 60)
        rows += [row(10 * i, SPEED, speed(kmh)), row(10 * i + 5, 0x600, speed(kmh))]
    first, *_ = of_kind(inspected([frames(rows)], spec)[0], "disagree")
    assert first.text.endswith(SAID[3.6].format("drive.speed"))
    assert first.facts["times"] == 3.6
