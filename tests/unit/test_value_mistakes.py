"""Mistakes in what a spec says of values, states and counters: place and sentence of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from tests.spec_builders import spec_of

if TYPE_CHECKING:
    from pathlib import Path

RECORD = "records:\n  steering:\n    type: Steering\n    stamp: SteerFeedback\n    "
TWO_SIGNALS = "SteerFeedback.Angle, SteerFeedback.Fine"
SPEEDS = """\
records:
  a: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}
  b: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}
"""

# What stands behind the three lines of HEAD; line, column and sentence of the one fault.
CASES = {
    "pair of both kinds": (
        f"{SPEEDS}redundant: {{p: {{signals: [{TWO_SIGNALS}], fields: [a.speed, b.speed]}}}}\n",
        *(7, 16, "A redundant pair needs one of the keys `signals` and `fields`."),
    ),
    "share of no range": (
        f"redundant: {{p: {{signals: [{TWO_SIGNALS}], tolerance: 5 %}}}}\n",
        *(
            4,
            80,
            "A share needs the range of SteerFeedback.Angle, which the description does not give: write the "
            "tolerance in its unit.",
        ),
    ),
    "tolerance in another unit": (
        f"redundant: {{p: {{signals: [{TWO_SIGNALS}], tolerance: 5 km/h}}}}\n",
        *(4, 80, "The unit `km/h` does not convert to rad."),
    ),
    "inverse pair without a sum": (
        f"redundant: {{p: {{signals: [{TWO_SIGNALS}], slope: inverse, tolerance: 1 deg}}}}\n",
        *(4, 16, "An inverse pair needs the key `sum`, since the description gives no range of its signals."),
    ),
    "pair of two units": (
        "redundant: {p: {signals: [SteerFeedback.Angle, DriveFeedback.Speed]}}\n",
        *(
            4,
            48,
            "The signals of a redundant pair must have one unit: SteerFeedback.Angle and DriveFeedback.Speed "
            "have `deg` and `km/h`.",
        ),
    ),
    "pair of one signal": (
        "redundant: {p: {signals: [SteerFeedback.Angle, SteerFeedback.Angle]}}\n",
        *(4, 48, "A redundant pair must name two signals."),
    ),
    "pair of fields without tolerance": (
        f"{SPEEDS}redundant: {{p: {{fields: [a.speed, b.speed]}}}}\n",
        *(7, 16, "A pair of fields needs the key `tolerance`."),
    ),
    "pair of fields with a sum": (
        f"{SPEEDS}redundant: {{p: {{fields: [a.speed, b.speed], sum: 4, tolerance: 1 m/s}}}}\n",
        *(7, 50, "`sum` has no meaning here: fields are not shifted."),
    ),
    "inverse pair with an offset": (
        f"{SPEEDS}redundant: {{p: {{fields: [a.speed, b.speed], slope: inverse, tolerance: 1 m/s, "
        "offset: 1 m/s}}\n",
        *(7, 87, "`offset` has no meaning for an inverse pair."),
    ),
    "offset of another kind": (
        f"{SPEEDS}redundant: {{p: {{fields: [a.speed, b.speed], tolerance: 1 m/s, offset: 1 m}}}}\n",
        *(7, 71, "The unit `m` does not convert to m/s."),
    ),
    "lag of more than a minute": (
        f"redundant: {{p: {{signals: [{TWO_SIGNALS}], lag: -61 s}}}}\n",
        *(4, 74, "The lag is longer than a minute."),
    ),
    "axis of an unknown record": (
        f"{SPEEDS}axes: {{x: {{report: a.speed, demand: c.speed}}}}\n",
        *(7, 37, "The spec has no record `c`; it is one of a or b."),
    ),
    "axis of a field that is not mapped": (
        f"{SPEEDS}axes: {{x: {{report: a.speed, demand: b.throttle}}}}\n",
        *(7, 37, "The record b does not map its field throttle; it maps speed."),
    ),
    "axis of a state": (
        "records:\n  a: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle, state: "
        "{signal: SteerFeedback.State, no_data: SNA}}\naxes: {x: {report: a.wheel_angle, demand: a.state}}\n",
        *(6, 43, "The field a.state is not a quantity."),
    ),
    "axis of two units": (
        "records:\n  a: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n"
        "  b: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}\n"
        "axes: {x: {report: a.wheel_angle, demand: b.speed}}\n",
        *(7, 43, "The report is in rad, but the demand in m/s; take fields of one unit."),
    ),
    "tolerance of nothing": (
        f"{SPEEDS}axes: {{x: {{report: a.speed, demand: b.speed, tolerance: 0 m/s}}}}\n",
        *(7, 57, "The value must be greater than zero."),
    ),
    "slew of nothing": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, slew: -1 deg/s}\n",
        *(8, 54, "The value must be greater than zero."),
    ),
    "frozen by a state": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, frozen: {longer_than: 1 s, while: "
        "steering.state, moves: 1}}\n    state: {signal: SteerFeedback.State, no_data: SNA}\n",
        *(8, 82, "The field steering.state is not a quantity."),
    ),
    "frozen by another unit": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, frozen: {longer_than: 1 s, while: "
        "steering.wheel_angle, moves: 1 km/h}}\n",
        *(8, 111, "The unit `km/h` does not convert to rad."),
    ),
    "railed sum": (
        RECORD + f"wheel_angle: {{sum: [{TWO_SIGNALS}], railed: {{longer_than: 1 s}}}}\n",
        *(8, 67, "`railed` has no meaning here: a sum has no ends."),
    ),
    "railed number": (
        "records:\n  a: {type: Drive, stamp: DriveFeedback, speed: {signal: DriveFeedback.Float, railed: "
        "{longer_than: 1 s}}}\n",
        *(5, 79, "`railed` has no meaning here: a floating-point number has no ends."),
    ),
    "range by a speed that is not mapped": (
        RECORD + "wheel_angle: {signal: SteerFeedback.Angle, range_by_speed: {speed: b.speed, points: "
        "[[0 m/s, 1 deg], [1 m/s, 1 deg]]}}\n  b: {type: Drive, stamp: SteerFeedback, throttle: "
        "{signal: SteerFeedback.Share, unit: '%'}}\n",
        *(8, 72, "The record b does not map its field speed; it maps throttle."),
    ),
    "change of a share without a time": (
        "records: {d: {type: Drive, stamp: DriveFeedback, throttle: "
        "{signal: SteerFeedback.Share, unit: '%', slew: 5 %}}}\n",
        *(4, 107, "The unit `%` does not convert to %/s or Hz."),
    ),
    "copy of itself": (
        "messages: {SteerFeedback: {relay_of: SteerFeedback}}\n",
        *(4, 38, "SteerFeedback cannot be a copy of itself."),
    ),
    "watchdog with itself": (
        "demands: {SteerFeedback: {watchdog_with: SteerFeedback}}\n",
        *(4, 42, "`watchdog_with` names the other demands, and SteerFeedback is this one."),
    ),
    "word for a bit": (
        "demands: {SteerFeedback: {fresh_when: {Homed: on}}}\n",
        *(4, 47, "SteerFeedback.Homed has no label `on`, nor any other: write yes or no."),
    ),
    "signal for a counter": (
        "messages: {SteerFeedback: {counter: Share}}\n",
        *(4, 37, "A counter must be a mapping of `key: value`, such as `signal: ...`."),
    ),
    "one signal as counter and checksum": (
        "messages:\n  SteerFeedback: {counter: {signal: Share}, checksum: {signal: Share, profile: sum8}}\n",
        *(5, 64, "Share cannot be both the counter and the checksum of SteerFeedback."),
    ),
    "states in which a machine acts, of a demand": (
        "state_machines: {arm: {signal: SteerFeedback.State, active: Actve}}\n"
        "demands: {SteerFeedback: {watchdog: 1 s, state_machine: arm}}\n",
        *(4, 61, "SteerFeedback.State has no label `Actve`; did you mean `Active`?"),
    ),
}


@pytest.mark.parametrize(("text", "line", "column", "sentence"), CASES.values(), ids=CASES)
def test_mistake_of_values_is_told_with_its_place(
    text: str, line: int, column: int, sentence: str, tmp_path: Path
) -> None:
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text)
    (fault,) = raised.value.faults
    assert (fault.line, fault.column, fault.text) == (line, column, sentence)
