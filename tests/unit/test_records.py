"""Records: sample and hold, ages, and everything that makes a value invalid."""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

import pytest

from canmap.vocabulary.record_types import AxisState, Gear
from tests.kits import row, spec_of
from tests.streams import MS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.records.columns import Records

STAMP, OTHER = 0x100, 0x200
TWO = """\
BO_ 256 Stamp: 8 Node
 SG_ Speed : 0|16@1+ (0.1,0) [0|0] "km/h" Other
 SG_ Homed : 16|1@1+ (1,0) [0|0] "" Other
 SG_ State : 24|8@1+ (1,0) [0|0] "" Other
 SG_ Released : 32|1@1+ (1,0) [0|0] "" Other
BO_ 512 Other: 8 Node
 SG_ Pedal : 0|8@1+ (1,0) [0|0] "%" Other
 SG_ Ready : 8|1@1+ (1,0) [0|0] "" Other
"""


def records_of(spec: Spec, rows: list, name: str = "drive") -> Records:
    return inspected([frames(rows)], spec, [name])[0].records[name]


def drive(field: str) -> str:
    return f"records:\n  drive:\n    type: Drive\n    stamp: Stamp\n    {field}\n"


def pedal(t_ms: float, percent: int, ready: int = 0) -> tuple:
    return row(t_ms, OTHER, bytes([percent, ready, 0, 0, 0, 0, 0, 0]))


def stamp(t_ms: float, speed: int = 0, homed: int = 0, state: int = 0, released: int = 0) -> tuple:
    return row(t_ms, STAMP, struct.pack("<HBBBxxx", speed, homed, state, released))


def test_the_newest_value_is_held_with_its_age(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TWO, drive("throttle: {signal: Other.Pedal, max_age: none}"))
    kept = records_of(spec, [stamp(0), pedal(10, 20), stamp(15), stamp(40), pedal(40, 30), stamp(40)])
    # At 0 ms there is none; at 15 it is 5 ms old, at 40 it is 30 ms old, then a new one of the same stamp.
    assert [r.throttle for r in kept] == [None, 0.2, 0.2, 0.3]
    assert kept.throttle.age_ns.tolist() == [-1, 5 * MS, 30 * MS, 0]
    assert kept.t_s.tolist() == [0.0, 0.015, 0.04, 0.04]


def test_the_join_is_by_order_of_arrival_not_by_stamp(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TWO, drive("throttle: {signal: Other.Pedal, max_age: none}"))
    kept = records_of(spec, [pedal(10, 1), stamp(10), pedal(10, 2), pedal(10, 3), stamp(10)])
    assert [r.throttle for r in kept] == pytest.approx([0.01, 0.03])


@pytest.mark.parametrize(("age_ms", "valid"), [(0, True), (60, True), (60.001, False), (500, False)])
def test_a_value_is_invalid_past_its_largest_age(tmp_path: Path, age_ms: float, valid: bool) -> None:
    spec = spec_of(tmp_path, TWO, drive("throttle: {signal: Other.Pedal, max_age: 60 ms}"))
    kept = records_of(spec, [pedal(0, 20), stamp(age_ms)])
    assert [r.throttle for r in kept] == [0.2 if valid else None]


def test_the_largest_age_is_by_default_when_the_message_is_stale(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TWO, drive("throttle: Other.Pedal"), periods_ms={512: 50})  # 150 ms
    kept = records_of(spec, [pedal(0, 20), stamp(150), stamp(150.001)])
    assert [r.throttle for r in kept] == [0.2, None]


def test_a_condition_must_hold_in_the_newest_value(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TWO, drive("speed: {signal: Stamp.Speed, valid_when: {Stamp.Homed: yes}}"))
    kept = records_of(spec, [stamp(0, 36, homed=0), stamp(10, 36, homed=1), stamp(20, 36, homed=0)])
    assert [r.speed for r in kept] == [None, pytest.approx(1.0), None]  # 3.6 km/h is 1 m/s


def test_a_condition_on_another_message_needs_that_message(tmp_path: Path) -> None:
    text = drive("speed: {signal: Stamp.Speed, valid_when: {Other.Ready: yes}}")
    spec = spec_of(tmp_path, TWO, text, periods_ms={512: 10})  # stale after 100 ms
    kept = records_of(
        spec, [stamp(0, 36), pedal(10, 0, ready=1), stamp(20, 36), stamp(110, 36), stamp(111, 36)]
    )
    # Not come yet; there; 100 ms old; too old to be trusted.
    assert [r.speed is not None for r in kept] == [False, True, True, False]


def test_a_code_for_no_data_is_no_value(tmp_path: Path) -> None:
    spec = spec_of(
        tmp_path, TWO, drive("throttle: {signal: Other.Pedal, no_data: [0xFE, 0xFF], max_age: none}")
    )
    kept = records_of(spec, [pedal(0, 50), stamp(1), pedal(2, 0xFF), stamp(3), pedal(4, 0xFE), stamp(5)])
    # The last good value is not published again: what the kit says now is that it does not know.
    assert [r.throttle for r in kept] == [0.5, None, None]


def test_a_payload_too_short_is_no_value(tmp_path: Path) -> None:
    spec = spec_of(
        tmp_path, TWO, drive("speed: Stamp.Speed\n    state: {signal: Stamp.State, labels: {3: active}}")
    )
    whole = struct.pack("<HBBBxxx", 36, 0, 3, 0)
    kept = records_of(spec, [row(10 * n, STAMP, whole[:n]) for n in (8, 4, 3, 2, 1, 0)])
    # Speed needs 2 bytes, State 4.
    assert [r.speed is not None for r in kept] == [True, True, True, True, False, False]
    assert [r.state for r in kept] == [AxisState.ACTIVE, AxisState.ACTIVE, None, None, None, None]


MULTIPLEXED = """\
BO_ 256 Stamp: 8 Node
 SG_ Speed : 0|16@1+ (0.1,0) [0|0] "km/h" Other
BO_ 768 Pages: 8 Node
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Throttle m0 : 8|8@1+ (1,0) [0|0] "%" Other
 SG_ Torque m1 : 8|8@1+ (1,0) [0|0] "Nm" Other
"""


def test_multiplexed_signals_are_held_each_on_its_own(tmp_path: Path) -> None:
    text = drive(
        "throttle: {signal: Pages.Throttle, max_age: 100 ms}\n"
        "    motor_torque: {signal: Pages.Torque, max_age: 100 ms}"
    )
    spec = spec_of(tmp_path, MULTIPLEXED, text)

    def page(t_ms: float, number: int, value: int) -> tuple:
        return row(t_ms, 768, bytes([number, value, 0, 0, 0, 0, 0, 0]))

    rows = [page(0, 0, 50), stamp(10), page(20, 1, 7), stamp(30), page(60, 1, 8), stamp(110)]
    kept = records_of(spec, rows)
    # Page 1 does not touch the throttle of page 0, which is 30 and then 110 ms old.
    assert [r.throttle for r in kept] == [0.5, 0.5, None]
    assert [r.motor_torque for r in kept] == [None, 7.0, 8.0]
    assert kept.throttle.age_ns.tolist() == [10 * MS, 30 * MS, 110 * MS]


def test_a_multiplexed_signal_holds_as_long_as_the_spec_says_of_its_page(tmp_path: Path) -> None:
    """Page 0 is stale after three periods of 40 ms, page 1 when the spec says; else it is the message's."""
    fields = drive("throttle: Pages.Throttle\n    motor_torque: Pages.Torque")

    def ages(said: str) -> list[int | None]:
        spec = spec_of(tmp_path, MULTIPLEXED, f"messages: {{Pages: {{{said}}}}}\n{fields}")
        return [field.max_age_ns and field.max_age_ns // MS for field in spec.records[0].fields]

    both = "multiplexed: {Page: {0: {period: 40 ms}, 1: {period: 50 ms, stale_after: 300 ms}}}"
    assert ages(both) == [120, 300]
    assert ages(f"period: 20 ms, {both}") == [120, 300]
    assert ages("period: 20 ms, multiplexed: {Page: {0: {period: 40 ms}}}") == [120, 100]
    assert ages("multiplexed: {Page: {0: {period: 40 ms}, 1: {minimum_gap: 5 ms}}}") == [120, None]


def test_choices_are_looked_up_and_unknown_codes_are_no_value(tmp_path: Path) -> None:
    text = drive("gear: {signal: Stamp.State, labels: {0: park, 1: reverse, 4: forward}}")
    kept = records_of(spec_of(tmp_path, TWO, text), [stamp(10 * s, state=s) for s in (0, 1, 2, 4, 200)])
    assert [r.gear for r in kept] == [Gear.PARK, Gear.REVERSE, None, Gear.FORWARD, None]


@pytest.mark.parametrize(("normally_closed", "said"), [("yes", [True, False]), ("no", [False, True])])
def test_a_normally_closed_contact_is_turned_round(
    tmp_path: Path, normally_closed: str, said: list[bool]
) -> None:
    text = (
        "records:\n  brake: {type: Brake, stamp: Stamp, "
        f"parking: {{signal: Stamp.Released, normally_closed: {normally_closed}}}}}\n"
    )
    kept = records_of(spec_of(tmp_path, TWO, text), [stamp(0, released=0), stamp(10, released=1)], "brake")
    assert [r.parking for r in kept] == said


def test_order_of_operations(tmp_path: Path) -> None:
    # raw 100 -> 10 km/h -> 2.7778 m/s -> sign -> -2.7778 -> scale 2 -> -5.5556 -> offset 1 m/s -> -4.5556
    text = drive("speed: {signal: Stamp.Speed, sign: -1, scale: 2, offset: 1 m/s}")
    (kept,) = records_of(spec_of(tmp_path, TWO, text), [stamp(0, 100)])
    assert kept.speed == pytest.approx(-2 * 10 / 3.6 + 1, rel=1e-12)


def test_a_sum_is_as_valid_as_its_worst(tmp_path: Path) -> None:
    message = """\
BO_ 256 Stamp: 8 Node
 SG_ Coarse : 0|8@1+ (1,0) [0|0] "deg" Other
 SG_ Fine : 8|8@1+ (0.01,0) [0|0] "deg" Other
"""
    field = "wheel_angle: {sum: [Stamp.Coarse, Stamp.Fine]}"
    text = f"records:\n  steering: {{type: Steering, stamp: Stamp, {field}}}\n"
    rows = [row(0, STAMP, bytes([10, 50])), row(5, STAMP, bytes([20]))]  # the second has no room for Fine
    kept = records_of(spec_of(tmp_path, message, text), rows, "steering")
    assert kept.wheel_angle.valid.tolist() == [True, False]
    assert math.degrees(kept.wheel_angle.values[0]) == pytest.approx(10.5, rel=1e-12)
