"""Messages of topics against the records they are made of, as rosbags reads them (package rosbags)."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import canmap
from canmap.checks.buses.unknown_ids import LISTED_IDS
from canmap.engine.engine import Engine
from canmap.findings.episodes import Told
from canmap.findings.finding import Finding, Place, Severity
from canmap.findings.kinds import LOSS
from canmap.frames.chunks import join
from canmap.frames.readers import open_captures
from canmap.mapping.topic_rules import RecordTopics
from canmap.topics.diagnostics import Diagnostics
from canmap.topics.topic import MessageForm
from canmap.vocabulary.record_types import field_types
from tests.streams import ROOT, spec_of
from tests.topics import Converted, converted

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk
    from canmap.records.columns import Records

DROP, STOP = (ROOT / "captures" / name for name in ("steering_drop.log", "stop_pressed.log"))
S = 1_000_000_000


@cache
def kept(path: Any) -> dict[str, Records]:
    spec = spec_of()
    return canmap.inspect(path, spec, keep=[rule.name for rule in spec.records]).records


@cache
def sent(path: Any) -> Converted:
    return converted(chunks(path), spec_of())


def chunks(path: Any) -> list[FrameChunk]:
    return [piece() for piece in open_captures([str(path)]).pieces()]


def stamps_ns(messages: list[Any]) -> list[int]:
    return [message.header.stamp.sec * S + message.header.stamp.nanosec for message in messages]


def of_frames(sink: Converted, topic: str) -> list[Any]:
    """The messages that frames brought, not the clock."""
    read = zip(sink.of(topic), sink.read(topic), strict=True)
    return [message for raw, message in read if raw.frame >= 0]


@pytest.mark.parametrize("name", [rule.name for rule in spec_of().records])
def test_own_messages_hold_the_records_with_validity_age_and_flag(name: str) -> None:
    sink, records = sent(DROP), kept(DROP)[name]
    topic = next(one for one in sink.table if one.form is MessageForm.OWN and one.records == (name,))
    messages = of_frames(sink, topic.name)
    assert stamps_ns(messages) == records.stamp_ns.tolist()
    for field, kind in field_types(records.type).items():
        if field not in records.columns:
            assert not any(getattr(message, f"{field}_valid") for message in messages)
            continue
        column = records.columns[field]
        assert [getattr(message, f"{field}_valid") for message in messages] == column.valid.tolist()
        assert [getattr(one, f"{field}_out_of_range") for one in messages] == column.flagged.tolist()
        ages = np.array([getattr(message, f"{field}_age") for message in messages])
        assert np.array_equal(np.isnan(ages), column.age_ns < 0)
        assert np.array_equal(ages[column.age_ns >= 0], column.age_ns[column.age_ns >= 0] / 1e9)
        values = [getattr(message, field) for message in messages]
        assert [v for v, valid in zip(values, column.valid, strict=True) if valid] == column.values[
            column.valid
        ].tolist()
        if kind.kind is float:
            assert np.isnan([v for v, ok in zip(values, column.valid, strict=True) if not ok]).all()


def test_odometry_and_twist_are_sent_where_the_motion_is_known() -> None:
    motion = kept(DROP)["motion"]
    speed, rate = motion.columns["speed"], motion.columns["yaw_rate"]
    valid = speed.valid & rate.valid & motion.columns["x"].valid
    assert 0 < valid.sum() < len(motion)
    odometry, twist = sent(DROP).read("odom"), sent(DROP).read("twist")
    assert stamps_ns(odometry) == motion.stamp_ns[valid].tolist() == stamps_ns(twist)
    segment = motion.columns["segment"].values[valid]
    assert set(segment) == {1, 2}
    for message, number, x, v, w, angle in zip(
        odometry,
        segment,
        motion.columns["x"].values[valid],
        speed.values[valid],
        rate.values[valid],
        motion.columns["heading"].values[valid],
        strict=True,
    ):
        assert (message.header.frame_id, message.child_frame_id) == ("odom", "base_link")
        if number == 1:  # the next one is not counted from its own origin
            assert message.pose.pose.position.x == x
            assert heading_of(message) == pytest.approx(angle, abs=1e-12)
        assert (message.twist.twist.linear.x, message.twist.twist.angular.z) == (v, w)
        assert (np.diag(message.pose.covariance.reshape(6, 6)) > 0).all()
        assert (np.diag(message.twist.covariance.reshape(6, 6)) > 0).all()
    assert [message.twist.twist.linear.x for message in twist] == speed.values[valid].tolist()


def heading_of(message: Any) -> float:
    return 2 * math.atan2(message.pose.pose.orientation.z, message.pose.pose.orientation.w)


def test_the_pose_of_an_odometry_never_leaps() -> None:
    """REP-105 (from memory): the pose in the frame odom changes smoothly, without discrete jumps.

    Within the second segment it moves as the records do, and turned as far as the first one had come.
    """
    motion = kept(DROP)["motion"]
    valid = motion.columns["x"].valid
    segment = motion.columns["segment"].values[valid]
    own = motion.columns["x"].values[valid] + 1j * motion.columns["y"].values[valid]
    odometry = sent(DROP).read("odom")
    pose = np.array([one.pose.pose.position.x + 1j * one.pose.pose.position.y for one in odometry])
    ended, begun = np.flatnonzero(segment == 1)[-1], np.flatnonzero(segment == 2)[0]
    assert abs(own[ended] - own[begun]) > 1  # what would be a leap
    assert pose[begun] == pose[ended]
    assert heading_of(odometry[begun]) == heading_of(odometry[ended]) != 0
    turned = np.exp(1j * heading_of(odometry[ended]))
    assert pose[begun:] == pytest.approx(pose[ended] + turned * own[begun:], abs=1e-9)


def test_the_transform_is_the_pose_of_the_odometry() -> None:
    broadcast = replace(spec_of().topics, records={"motion": RecordTopics(transform=True)})
    sink = converted(chunks(DROP), replace(spec_of(), topics=broadcast))
    odometry, sent_on_tf = sink.read("odom"), sink.read("/tf")
    assert len(odometry) == len(sent_on_tf) > 500
    for pose, (moved,) in zip(odometry, (message.transforms for message in sent_on_tf), strict=True):
        assert (moved.header, moved.child_frame_id) == (pose.header, "base_link")
        at, to = pose.pose.pose, moved.transform
        assert (to.translation.x, to.translation.y) == (at.position.x, at.position.y)
        assert (to.rotation.z, to.rotation.w) == (at.orientation.z, at.orientation.w)


def test_a_reference_point_ahead_of_the_rear_axle_moves_sideways_in_a_bend() -> None:
    ahead = 0.93
    spec = replace(spec_of(), geometry=replace(spec_of().geometry, reference_point=ahead))
    sink = converted(chunks(DROP), spec)
    plain = sent(DROP).read("odom")
    for moved, rear in zip(sink.read("odom"), plain, strict=True):
        angle = heading_of(rear)
        at, origin = moved.pose.pose.position, rear.pose.pose.position
        assert at.x == pytest.approx(origin.x + ahead * (math.cos(angle) - 1), abs=1e-9)
        assert at.y == pytest.approx(origin.y + ahead * math.sin(angle), abs=1e-9)
        assert moved.twist.twist.linear.y == ahead * rear.twist.twist.angular.z
    # Rigid body: two points keep their distance, so along the line between them their speeds are equal.
    assert [one.twist.twist.linear.x for one in sink.read("odom")] == [
        one.twist.twist.linear.x for one in plain
    ]


def test_the_ackermann_report_has_the_angle_of_the_road_wheels_and_the_newest_speed() -> None:
    steering, drive = kept(DROP)["steering"], kept(DROP)["drive"]
    reports = sent(DROP).read("ackermann/report")
    messages = dict(zip(stamps_ns(reports), reports, strict=True))
    angle = steering.columns["wheel_angle"]
    wheel = {int(s): v for s, v, ok in zip(steering.stamp_ns, angle.values, angle.valid, strict=True) if ok}
    assert set(messages) <= set(wheel)
    assert len(messages) > 1000
    for stamp, message in messages.items():
        assert message.drive.steering_angle == np.float32(wheel[stamp] / 15.4)  # the ratio of the spec
        newest = np.searchsorted(drive.stamp_ns, stamp, side="right") - 1
        assert message.drive.speed == np.float32(drive.columns["speed"].values[newest])
        assert stamp - drive.stamp_ns[newest] <= 100_000_000  # when its message would be stale


def test_wheel_speeds_are_angular_and_the_battery_has_the_units_of_its_type() -> None:
    wheels, battery = kept(DROP)["wheels"], kept(DROP)["battery"]
    for message, front_left in zip(
        sent(DROP).read("wheels/joint_states"), wheels.columns["front_left"].values, strict=True
    ):
        assert message.name[0] == "front_left_wheel"
        assert message.velocity[0] == front_left / 0.27  # the rolling radius of the spec
        assert len(message.position) == len(message.effort) == 0
    for message, volts, amperes, kelvin in zip(
        sent(DROP).read("battery"),
        *(battery.columns[name].values for name in ("voltage", "current", "temperature")),
        strict=True,
    ):
        assert message.voltage == np.float32(volts)
        assert message.current == np.float32(-amperes)
        assert message.temperature == np.float32(kelvin - 273.15)
        assert 0 <= message.percentage <= 1
        assert math.isnan(message.capacity)
        assert math.isnan(message.charge)


def test_the_stop_chain_is_sent_with_its_records_and_once_a_second() -> None:
    sink = sent(STOP)
    active = list(zip(sink.of("stop/active"), [one.data for one in sink.read("stop/active")], strict=True))
    ticks = [raw.clock_ns for raw, _ in active if raw.frame < 0]
    assert {later - earlier for earlier, later in pairwise(ticks)} == {S}
    names = ("stop_button", "stop_radio", "stop_link", "stop_loop")
    for raw, state in active:
        side = "left" if raw.frame < 0 else "right"  # the clock's stand before the frames of their moment
        newest = {
            name: int(np.searchsorted(kept(STOP)[name].clock_ns, raw.clock_ns, side)) - 1 for name in names
        }
        fields = [
            column.values[at] for name, at in newest.items() for column in kept(STOP)[name].columns.values()
        ]
        assert state == any(fields)
    assert {state for _, state in active} == {False, True}


def test_a_stop_chain_that_falls_silent_is_not_reported_as_released() -> None:
    whole = chunks(DROP)[0]
    fell_ns = int(whole.t_ns[3000])
    heard = ~np.isin(whole.can_id, list(stop_messages())) | (whole.t_ns <= fell_ns)
    sink = converted([whole.take(np.flatnonzero(heard))], spec_of())
    dead_ns = fell_ns + 3 * S  # a heartbeat of 1 s is stale after three
    assert int(whole.t_ns[-1]) > dead_ns + S
    assert {one.data for one in sink.read("stop/active")} == {False}
    assert [raw for raw in sink.of("stop/active") if raw.clock_ns > dead_ns] == []
    own = zip(sink.of("stop_loop"), sink.read("stop_loop"), strict=True)
    late = [message for raw, message in own if raw.clock_ns > dead_ns]
    assert late
    assert not any(one.loop_open_valid or one.loop_open for one in late)
    assert all(one.loop_open_age > 0 for one in late)


def stop_messages() -> set[int]:
    engine = Engine(spec_of())
    rules = {rule.name: rule for rule in spec_of().records}
    names = {rules[name].stamp for name in ("stop_button", "stop_radio", "stop_link", "stop_loop")}
    return {rule.message.can_id for rule in engine.rules if rule.message.name in names}


def test_diagnostics_come_once_a_second_and_with_every_change() -> None:
    sink = sent(DROP)
    arrays = list(zip(sink.of("/diagnostics"), sink.read("/diagnostics"), strict=True))
    start_ns = int(chunks(DROP)[0].t_ns[0])
    ticks = [raw.clock_ns - start_ns for raw, _ in arrays if raw.frame < 0]
    assert ticks == [S * (second + 1) for second in range(len(ticks))]
    levels = {
        raw.clock_ns: next(one.level for one in array.status if one.name.endswith(": SteerFeedback"))
        for raw, array in arrays
    }
    gap = kept(DROP)["steering"].clock_ns
    longest = int(np.diff(gap).argmax())
    fell_ns, back_ns = gap[longest], gap[longest + 1]
    for clock_ns, level in levels.items():
        assert (level == 3) == (
            fell_ns + 60_000_000 <= clock_ns < back_ns
        ) or back_ns <= clock_ns < back_ns + S
    assert 3 in levels.values()
    status = arrays[0][1].status[0]
    assert (status.name, status.hardware_id) == ("Orchard cart: steering: SteerFeedback", "SteerNode")


def test_a_key_is_there_once_in_a_status_and_says_what_it_is_about() -> None:
    """The unknown identifiers of a bus are those that the capture holds and no message of the spec has."""
    keys = [
        [value.key for value in status.values]
        for array in sent(DROP).read("/diagnostics")
        for status in array.status
    ]
    assert all(len(set(those)) == len(those) for those in keys)
    whole, known = join(chunks(DROP)), {(rule.bus, rule.message.can_id) for rule in spec_of().messages}
    drive = whole.can_id[whole.channel == whole.channels.index("can0")]
    unknown = [f"{one:03X}" for one in np.unique(drive).tolist() if ("drive", one) not in known]
    assert len(unknown) == 6
    assert sorted(max(keys, key=len)) == [
        f"unknown_id.{name}.{what}" for name in unknown for what in ("age_s", "count")
    ]
    throttle = {key for those in keys for key in those if key.startswith("out_of_range")}
    assert throttle == {f"out_of_range.Throttle.{what}" for what in ("age_s", "count", "limit", "value")}


def test_findings_of_one_kind_and_place_are_numbered_from_the_oldest() -> None:
    diagnostics = Diagnostics(spec_of())
    place = Place(bus="drive", message="PedalState")
    for at_s, severity in ((3, Severity.ERROR), (1, Severity.NOTE), (2, Severity.WARNING)):
        found = Finding(kind=LOSS, severity=severity, place=place, start_ns=at_s * S, end_ns=at_s * S)
        diagnostics.take(Told(found))
    (status,) = (one for one in diagnostics.status(4 * S) if one["name"] == "Orchard cart: drive: PedalState")
    assert [(one["key"], one["value"]) for one in status["values"] if one["key"].endswith("age_s")] == [
        ("loss.3.age_s", "1"),
        ("loss.2.age_s", "2"),
        ("loss.age_s", "3"),
    ]


def test_many_unknown_identifiers_stay_bounded() -> None:
    whole = join(chunks(DROP))
    can_id = whole.can_id.copy()
    can_id[:2000] = 0x500 + np.arange(2000) % 200
    sink = converted([replace(whole, can_id=can_id)], spec_of())
    unknown = [
        status
        for array in sink.read("/diagnostics")
        for status in array.status
        if any(value.key.startswith("unknown_id") for value in status.values)
    ]
    assert unknown
    for status in unknown:
        keys = [value.key for value in status.values]
        assert len(set(keys)) == len(keys) <= 2 * LISTED_IDS


def test_the_header_has_the_stamp_of_receipt_less_the_latency() -> None:
    rules = tuple(replace(rule, latency_ns=12_000_000) for rule in spec_of().messages)
    late = converted(chunks(DROP), replace(spec_of(), messages=rules))
    for topic in ("steering", "odom", "ackermann/report"):
        received = [raw.stamp_ns for raw in late.of(topic)]
        assert stamps_ns(late.read(topic)) == [stamp - 12_000_000 for stamp in received]
        assert received == stamps_ns(sent(DROP).read(topic))


def test_the_clock_runs_at_a_hundred_a_second() -> None:
    sink = sent(DROP)
    clock = [one.clock.sec * S + one.clock.nanosec for one in sink.read("/clock")]
    assert {later - earlier for earlier, later in pairwise(clock)} == {S // 100}
    assert clock == [raw.clock_ns for raw in sink.of("/clock")]
