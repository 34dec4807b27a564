"""The spec of a whole vehicle, resolved: numbers worked by hand from ``data/utility_vehicle``."""

from __future__ import annotations

import math
from enum import IntEnum
from fractions import Fraction

import pytest

from canmap.mapping.loader import load_spec
from canmap.mapping.model import OutOfRange, Trigger
from canmap.mapping.refs import SignalRef
from canmap.vocabulary.record_types import AxisState, ControlMode, Gear, Record, field_types
from tests.spec_builders import KIT, VEHICLE, message, signal, spec_of

PI = Fraction(math.pi)
MS = 1_000_000


@pytest.fixture(scope="module")
def spec():
    return load_spec(str(VEHICLE))


@pytest.fixture(scope="module")
def fields(spec):
    return {f"{record.name}.{rule.type.name}": rule for record in spec.records for rule in record.fields}


def test_vehicle_and_buses(spec):
    assert spec.vehicle == "Yard hauler"
    assert (spec.geometry.wheelbase, spec.geometry.steering_ratio) == (1.86, 15.4)
    assert (spec.geometry.track, spec.geometry.rolling_radius) == (1.2, 0.27)
    assert [(bus.name, bus.channel, bus.bit_rate_bps) for bus in spec.buses.values()] == [
        ("drive", "can0", 500_000),
        ("chassis", "can1", 250_000),
    ]


def test_every_described_message_has_its_rule(spec):
    rules = [(rule.bus, rule.message.name) for rule in spec.messages]
    assert rules == [
        (bus.name, message.name) for bus in spec.buses.values() for message in bus.description.messages
    ]


@pytest.mark.parametrize(
    ("bus", "name", "trigger", "period_ms", "stale_ms"),
    [
        (
            "drive",
            "SteerFeedback",
            Trigger.CYCLIC,
            10,
            60,
        ),  # period of the DBC, the spec's word over the fragment's
        ("drive", "DriveFeedback", Trigger.CYCLIC, 20, 100),  # three periods are 60 ms, the longer is 100 ms
        ("drive", "BrakeFeedback", Trigger.CYCLIC, 20, 100),
        ("drive", "SteerCommand", Trigger.CYCLIC, 20, 60),  # half of its watchdog
        ("drive", "KitState", Trigger.ON_CHANGE, None, 3000),  # three heartbeats
        ("drive", "Implement", Trigger.REQUESTED, None, None),
        ("chassis", "SteerFeedback", Trigger.CYCLIC, 40, 120),
        ("chassis", "BatteryState", Trigger.CYCLIC, 200, 600),  # corrected period
        ("chassis", "LampState", Trigger.EVENT, None, None),
    ],
)
def test_how_a_message_comes(spec, bus, name, trigger, period_ms, stale_ms):
    (rule,) = [rule for rule in spec.messages if (rule.bus, rule.message.name) == (bus, name)]
    assert rule.trigger is trigger
    assert rule.period_ns == (period_ms and period_ms * MS)
    assert rule.stale_after_ns == (stale_ms and stale_ms * MS)
    assert rule.stale_is_error or name == "SteerCommand"


def test_demand_is_a_warning_at_half_its_watchdog(tmp_path):
    spec = spec_of(tmp_path, "demands: {SteerFeedback: {watchdog: 120 ms}}\n")
    rule = spec.messages[0]
    assert (rule.stale_after_ns, rule.stale_is_error) == (60 * MS, False)


def test_own_stale_after_of_a_demand_is_an_error(tmp_path):
    text = "messages: {SteerFeedback: {stale_after: 200 ms}}\ndemands: {SteerFeedback: {watchdog: 120 ms}}\n"
    rule = spec_of(tmp_path, text).messages[0]
    assert (rule.stale_after_ns, rule.stale_is_error) == (200 * MS, True)


def test_message_without_any_promise_gets_a_note(tmp_path):
    spec = spec_of(tmp_path, "")
    assert spec.messages[1].trigger is Trigger.UNPROMISED
    assert spec.messages[1].stale_after_ns is None
    (note,) = spec.notes
    assert note.text.startswith("No period is known for DriveFeedback, so silence and rate are not checked")
    assert (note.bus, note.message) == ("drive", "DriveFeedback")


@pytest.mark.parametrize(
    ("name", "factor", "offset"),
    [
        ("steering.wheel_angle", -PI / 180, 0),
        ("steering.wheel_rate", -PI / 180, 0),
        ("steering.torque", -1, 0),
        ("drive.speed", Fraction(5, 18), 0),
        ("drive.motor_speed", PI / 30, 0),
        ("drive.throttle", Fraction(1, 100), 0),
        ("wheels.rear_right", PI / 30 * Fraction("0.0225"), 0),  # 1/min -> rad/s, times m/rad
        ("brake.pressure", 40 * 10**5, -20 * 10**5),  # 40 bar/V, -20 bar
        ("battery.current", -1, 0),
        ("battery.temperature", 1, Fraction("275.15")),  # degC -> K, and 2 K
        ("lift_arm.height", Fraction(1, 1000), 0),
        ("motion.speed", Fraction(5, 18), 0),
    ],
)
def test_factor_and_offset_into_si(fields, name, factor, offset):
    assert (fields[name].factor, fields[name].offset) == (factor, offset)


def test_limit_becomes_an_exact_raw_count(fields):
    """-540..540 deg with the sign turned: Coarse has 0.5 deg a count, so 1080 counts."""
    rule = fields["steering.wheel_angle"]
    assert rule.sources == (
        SignalRef("drive", "SteerFeedback", "Coarse"),
        SignalRef("drive", "SteerFeedback", "Fine"),
    )
    assert (rule.limits.high - rule.offset) / (rule.factor * Fraction(1, 2)) == -1080
    assert (rule.limits.low - rule.limits.offset) / rule.limits.factor == -540
    assert rule.limits.unit == "deg"
    assert rule.out_of_range is OutOfRange.MASK
    assert rule.max_age_ns == 50 * MS
    assert rule.valid_when[0].ref.signal == "Homed"
    assert rule.valid_when[0].accepts == ((1, 1),)


def test_open_and_lifted_limits(fields):
    torque, pressure, rate = (
        fields[f"{name}"].limits for name in ("steering.torque", "brake.pressure", "steering.wheel_rate")
    )
    assert (torque.low, torque.high) == (-20, None)
    assert (pressure.low, pressure.high) == (None, None)
    assert rate is None  # the description's
    assert fields["battery.temperature"].limits.low == Fraction("253.15")
    assert fields["battery.temperature"].max_age_ns is None
    assert fields["battery.charge"].max_age_ns == 600 * MS  # its message's stale_after


def test_table_for_each_side_is_one_table(fields):
    degrees = [(math.degrees(a), math.degrees(b)) for a, b in fields["steering.road_angle"].table]
    assert [pytest.approx(point) for point in degrees] == [(-540, -34), (0, 0), (300, 20), (540, 38)]


@pytest.mark.parametrize(
    ("name", "codes", "no_data"),
    [
        ("steering.state", {index: AxisState(index) for index in range(6)}, set()),
        ("drive.gear", {0: Gear.PARK, 1: Gear.REVERSE, 2: Gear.NEUTRAL, 3: Gear.FORWARD}, {7}),
        ("brake.parking", {0: 1, 1: 0}, set()),  # the bit says released
        ("stop.pressed", {0: 1, 1: 0}, set()),  # normally closed
        ("stop.link_lost", {0: 0, 1: 1, 2: 1}, {3}),
        (
            "control.mode",
            {0: ControlMode.MANUAL, 1: ControlMode.REMOTE, 2: ControlMode.AUTONOMOUS, 3: 3},
            {15},
        ),
        ("control.reason", None, set()),
        ("steering_demand.enable", {0: 0, 1: 1}, set()),
        ("lift_arm.hitch", {0: 0, 1: 1, 2: 2}, set()),
        ("lift_arm.locked", {0: 0, 1: 0, 2: 1}, set()),
        ("drive.throttle", None, {255}),
    ],
)
def test_choices(fields, name, codes, no_data):
    assert fields[name].codes == codes
    assert {(span.low, span.high) for span in fields[name].no_data[0]} == {(code, code) for code in no_data}


def test_corrections_are_applied_and_noted(spec):
    signals = {one.name: one for one in spec.messages[0].message.signals}
    assert signals["Rate"].factor == Fraction(1, 2)
    assert (signals["Rate"].minimum, signals["Rate"].maximum) == (-1000, 1000)
    texts = [note.text for note in spec.notes]
    assert (
        "The description of drive.SteerFeedback.Rate (line 15) is corrected in factor, minimum and maximum: "
        "manual revision C, table 4." in texts
    )
    assert (
        "The correction of drive.DriveFeedback (line 18) changes nothing: the description says the same."
        in texts
    )


def test_the_sign_of_a_field_may_be_that_of_another_signal(fields):
    need = fields["wheels.rear_left"].negative_when
    assert (need.ref.message, need.ref.signal, need.accepts) == ("DriveFeedback", "Gear", ((1, 1),))


def test_own_record_type(spec):
    record = next(record for record in spec.records if record.name == "lift_arm")
    types = field_types(record.type)
    assert issubclass(record.type, Record)
    assert (types["height"].unit, types["height"].kind, types["height"].meaning) == (
        "m",
        float,
        "of the fork above the ground",
    )
    assert issubclass(types["hitch"].kind, IntEnum)
    assert [member.name for member in types["hitch"].kind] == ["OPEN", "CLOSING", "LOCKED"]
    assert (types["locked"].kind, types["passes"].kind) == (bool, int)
    row = record.type(t_s=0.0, stamp_ns=0, height=1.5)
    assert (row.height, row.hitch) == (1.5, None)


def test_motion_takes_over_the_fields_of_other_records(spec, fields):
    record = next(record for record in spec.records if record.name == "motion")
    assert record.derived
    assert [rule.type.name for rule in record.fields] == ["speed", "wheel_angle"]
    assert fields["motion.wheel_angle"].sources == fields["steering.wheel_angle"].sources
    assert fields["motion.wheel_angle"].max_age_ns == 50 * MS
    assert not any(record.derived for record in spec.records if record.name != "motion")


@pytest.mark.parametrize(
    ("condition", "accepts"),
    [
        ("{DriveFeedback.Speed: above 1 km/h}", ((21, 65535),)),  # 0.05 km/h a count: 20 counts are not above
        ("{DriveFeedback.Speed: below 1 km/h}", ((0, 19),)),
        ("{DriveFeedback.Speed: below 1.01 km/h}", ((0, 20),)),
        ("{SteerFeedback.Angle: below -1 deg}", ((-32768, -11),)),
        ("{SteerFeedback.State: [Ready, 3, 0x2]}", ((2, 2), (3, 3))),
        ("{SteerFeedback.Homed: no}", ((0, 0),)),
    ],
)
def test_condition(condition, accepts, tmp_path):
    field = f"{{signal: SteerFeedback.Angle, valid_when: {condition}}}"
    text = f"records:\n  s: {{type: Steering, stamp: SteerFeedback, wheel_angle: {field}}}\n"
    (rule,) = spec_of(tmp_path, text).records[0].fields
    assert rule.valid_when[0].accepts == accepts


def test_condition_on_a_falling_signal(tmp_path):
    """20 - 0.5 a count, below 10 deg: more than 20 counts."""
    falling = signal("Down", 0, 8, "deg", factor=Fraction(-1, 2), offset=Fraction(20))
    description = type(KIT)("kit.dbc", (message("M", 1, falling, signal("A", 8, 8, "deg")),))
    field = "{signal: M.A, valid_when: {M.Down: below 10 deg}}"
    text = f"records:\n  s: {{type: Steering, stamp: M, wheel_angle: {field}}}\n"
    (rule,) = spec_of(tmp_path, text, description=description).records[0].fields
    assert rule.valid_when[0].accepts == ((21, 255),)


def test_values_that_nothing_ages_are_noted(tmp_path):
    text = "records:\n  d: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}\n"
    spec = spec_of(tmp_path, text)
    assert spec.records[0].fields[0].max_age_ns is None
    assert any("records hold what came for ever" in note.text for note in spec.notes)
