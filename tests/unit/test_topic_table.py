"""The topics of a vehicle: what there is by default, what is left out, and what the spec changes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

import canmap
from canmap.base.errors import ArgumentError
from canmap.topics.full_names import full_names
from canmap.topics.topic import MessageForm, Qos
from canmap.topics.topic_table import NOT_MEASURED, planned_topics, topic_table
from tests.spec_builders import VEHICLE, spec_of
from tests.streams import ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.topics.topic import Topic

CART = ROOT / "specs" / "orchard_cart" / "cart.yaml"
MS = 1_000_000
STEERING = "{type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}"
ROAD = "{type: Steering, stamp: SteerFeedback, road_angle: SteerFeedback.Angle}"
DRIVE = "{type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}"
WHEELS = "{type: Wheels, stamp: DriveFeedback, rear_left: DriveFeedback.Speed}"
STOP = "{type: Stop, stamp: SteerFeedback, pressed: SteerFeedback.Homed}"
DEMAND = "{type: SteeringDemand, stamp: SteerFeedback, road_angle: SteerFeedback.Angle}"


@pytest.fixture(scope="module")
def cart() -> canmap.Spec:
    return canmap.load_spec(CART)


def by_name(topics: tuple[Topic, ...]) -> dict[str, Topic]:
    found = {topic.name: topic for topic in topics}
    assert len(found) == len(topics)
    return found


def topics_of(folder: Path, text: str) -> dict[str, Topic]:
    return by_name(topic_table(spec_of(folder, text)))


def left_out(folder: Path, text: str) -> dict[str, str]:
    return {one.name: one.reason for one in planned_topics(spec_of(folder, text)).left_out}


def test_the_topics_of_the_cart(cart: canmap.Spec) -> None:
    topics = by_name(topic_table(cart))
    standard = {
        "ackermann/report": ("ackermann_msgs/msg/AckermannDriveStamped", ("steering", "drive")),
        "wheels/joint_states": ("sensor_msgs/msg/JointState", ("wheels",)),
        "battery": ("sensor_msgs/msg/BatteryState", ("battery",)),
        "odom": ("nav_msgs/msg/Odometry", ("motion",)),
        "twist": ("geometry_msgs/msg/TwistWithCovarianceStamped", ("motion",)),
        "stop/active": ("std_msgs/msg/Bool", ("stop_button", "stop_radio", "stop_link", "stop_loop")),
        "/diagnostics": ("diagnostic_msgs/msg/DiagnosticArray", ()),
    }
    own = {
        **{name: name.capitalize() for name in ("steering", "drive", "brake", "wheels", "control", "motion")},
        **dict.fromkeys(("stop_button", "stop_radio", "stop_link", "stop_loop"), "Stop"),
        **{"battery/record": "Battery", "demands/steering": "SteeringDemand"},
        **{"demands/drive": "DriveDemand", "demands/brake": "BrakeDemand"},
    }
    assert {name: (topics[name].type.name, topics[name].records) for name in standard} == standard
    assert {name: topics[name].type.name for name in own} == {
        name: f"canmap_msgs/msg/{kind}" for name, kind in own.items()
    }
    assert topics.keys() == standard.keys() | own.keys()


def test_frames_and_covariances_are_never_zero(cart: canmap.Spec) -> None:
    topics = by_name(topic_table(cart))
    odom, twist = topics["odom"], topics["twist"]
    assert (odom.frame_id, odom.child_frame_id, twist.frame_id) == ("odom", "base_link", "base_link")
    for covariance in (odom.pose_covariance, odom.twist_covariance, twist.twist_covariance):
        assert len(covariance) == 36
        assert all(covariance[7 * axis] > 0 for axis in range(6))
        assert [covariance[7 * axis] for axis in (2, 3, 4)] == [NOT_MEASURED] * 3  # z, roll, pitch
    assert twist.pose_covariance == ()
    assert topics["steering"].frame_id == "base_link"
    assert topics["stop/active"].frame_id == topics["/diagnostics"].frame_id == ""


def test_how_messages_are_offered(cart: canmap.Spec) -> None:
    topics = by_name(topic_table(cart))
    assert topics["steering"].qos == Qos(deadline_ns=60 * MS)  # its stale_after
    assert topics["demands/steering"].qos.deadline_ns == 60 * MS  # half of its watchdog
    assert topics["stop_loop"].qos == Qos(transient_local=True, deadline_ns=300 * MS)
    assert topics["stop_button"].qos.deadline_ns == 3000 * MS  # three heartbeats
    assert topics["stop/active"].qos == Qos(transient_local=True, deadline_ns=300 * MS)  # the soonest of them
    assert topics["/diagnostics"].qos == Qos()


def test_no_deadline_for_what_comes_under_conditions(tmp_path: Path) -> None:
    text = (
        "messages: {SteerFeedback: {period: 10 ms, active_when: {DriveFeedback.Speed: above 1 km/h}}}\n"
        f"records: {{steering: {ROAD}}}\n"
    )
    assert topics_of(tmp_path, text)["steering"].qos.deadline_ns is None


def test_the_clock_and_the_transform_are_sent_only_where_asked_for(cart: canmap.Spec) -> None:
    plan = planned_topics(cart)
    assert [(one.name, one.record) for one in plan.left_out] == [("/tf", "motion"), ("/clock", "")]
    clock = topic_table(cart, clock=True)[-1]
    assert (clock.name, clock.type.name, clock.form) == (
        *("/clock", "rosgraph_msgs/msg/Clock"),
        MessageForm.CLOCK,
    )
    tf = by_name(topic_table(canmap.load_spec(VEHICLE)))["/tf"]
    assert (tf.type.name, tf.records) == ("tf2_msgs/msg/TFMessage", ("motion",))
    assert (tf.frame_id, tf.child_frame_id) == ("odom", "hauler/base_link")  # as the odometry has them


def test_what_the_spec_says(tmp_path: Path) -> None:
    spec = canmap.load_spec(VEHICLE)
    plan = planned_topics(spec)
    topics = by_name(plan.topics)
    odometry = topics["wheel_odometry"]
    assert odometry.qos == Qos(reliable=False, depth=1, deadline_ns=50 * MS)
    assert (odometry.frame_id, odometry.child_frame_id) == ("odom", "hauler/base_link")
    assert odometry.pose_covariance[::7] == (4, 4, 1e6, 1e6, 1e6, 0.5)
    assert topics["ackermann/report"].frame_id == "hauler/front_axle"
    assert topics["battery"].type.name == "canmap_msgs/msg/Battery"  # instead of the standard one
    assert topics["demands/column"].records == ("steering_demand",)
    assert topics["stop/any"].qos.depth == 1
    assert topics["motion"].qos.deadline_ns is None
    assert {(one.name, one.record) for one in plan.left_out} == {
        *(("twist", "motion"), ("battery", "battery"), ("brake", "brake"), ("/clock", "")),
    }
    assert all("(line " in one.reason for one in plan.left_out if one.record)
    assert topics["lift_arm"].type.name == "yard_hauler_msgs/msg/LiftArm"


def test_latency_is_that_of_the_stamping_message() -> None:
    spec = canmap.load_spec(VEHICLE)
    topics = by_name(topic_table(spec))
    assert topics["steering"].latency_ns == topics["ackermann/report"].latency_ns == 12 * MS
    assert topics["drive"].latency_ns == 0


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (f"records: {{steering: {STEERING}}}\n", "the `steering_ratio` is not known"),
        (f"records: {{steering: {ROAD}}}\n", "no record of the type Drive has the `speed`"),
        (
            "records: {steering: {type: Steering, stamp: SteerFeedback, torque: "
            "{signal: SteerFeedback.Share, unit: Nm}}}\n",
            "the record has neither `road_angle` nor `wheel_angle`",
        ),
    ],
)
def test_no_report_without_the_angle_of_the_road_wheels(tmp_path: Path, text: str, reason: str) -> None:
    assert left_out(tmp_path, text)["ackermann/report"] == reason
    assert "ackermann/report" not in topics_of(tmp_path, text)


def test_the_report_needs_a_ratio_or_the_angle_itself(tmp_path: Path) -> None:
    ratio = f"geometry: {{steering_ratio: 15}}\nrecords: {{steering: {STEERING}, drive: {DRIVE}}}\n"
    assert topics_of(tmp_path, ratio)["ackermann/report"].records == ("steering", "drive")
    with_speed = f"records: {{steering: {ROAD}, drive: {DRIVE}}}\n"
    assert topics_of(tmp_path, with_speed)["ackermann/report"].records == ("steering", "drive")


def test_no_joint_states_without_the_rolling_radius(tmp_path: Path) -> None:
    text = f"records: {{wheels: {WHEELS}}}\n"
    assert left_out(tmp_path, text)["wheels/joint_states"] == "the `rolling_radius` is not known"
    assert "wheels/joint_states" in topics_of(tmp_path, f"geometry: {{rolling_radius: 0.3 m}}\n{text}")


def test_the_first_of_a_type_has_the_plain_name(tmp_path: Path) -> None:
    records = f"front: {ROAD}, rear: {ROAD}, drive: {DRIVE}, wanted: {DEMAND}, steering: {DEMAND}"
    topics = topics_of(tmp_path, f"records: {{{records}}}\n")
    assert topics["ackermann/report"].records == ("front", "drive")
    assert topics["rear/ackermann/report"].records == ("rear", "drive")
    assert topics["demands/steering"].records == ("wanted",)
    assert topics["demands/steering_2"].records == ("steering",)


def test_a_record_yields_to_a_standard_name_and_to_names_of_ros(tmp_path: Path) -> None:
    records = f"odom: {DRIVE}, clock: {DRIVE}, diagnostics: {DRIVE}, motion: {{type: Motion, stamp: "
    records += "SteerFeedback, speed: odom.speed, road_angle: SteerFeedback.Angle}"
    topics = topics_of(tmp_path, f"geometry: {{wheelbase: 2 m}}\nrecords: {{{records}}}\n")
    assert topics["odom"].form is MessageForm.ODOMETRY
    for name in ("odom", "clock", "diagnostics"):
        assert topics[f"{name}/record"].records == (name,)


def test_names_of_the_spec_come_first(tmp_path: Path) -> None:
    records = f"records: {{steering: {ROAD}, drive: {DRIVE}}}\n"
    topics = topics_of(tmp_path, f"{records}topics: {{records: {{drive: {{own: {{name: steering}}}}}}}}\n")
    assert topics["steering"].records == ("drive",)
    assert topics["steering/record"].records == ("steering",)


def test_every_source_of_a_stop_is_in_one_topic(tmp_path: Path) -> None:
    records = f"records: {{a: {STOP}, b: {STOP}}}\n"
    assert topics_of(tmp_path, records)["stop/active"].records == ("a", "b")
    assert topics_of(tmp_path, f"{records}topics: {{records: {{a: none}}}}\n")["stop/active"].records == (
        "b",
    )
    assert "stop/active" not in topics_of(tmp_path, f"{records}topics: {{stop_active: none}}\n")


def test_full_names(cart: canmap.Spec) -> None:
    topics = topic_table(cart)
    assert full_names(topics) == full_names(topics, "/")
    assert full_names(topics, "cart/rear") == full_names(topics, "/cart/rear")
    names = full_names(topics, "cart")
    assert names[0] == "/cart/ackermann/report"
    assert names[-1] == "/diagnostics"


@pytest.mark.parametrize("namespace", ["cart/", "//cart", "2", "ca rt", "a__b", "cart/-", "a" * 240])
def test_no_namespace(cart: canmap.Spec, namespace: str) -> None:
    with pytest.raises(ArgumentError, match="namespace"):
        full_names(topic_table(cart), namespace)


def test_a_namespace_that_makes_two_of_one_name(cart: canmap.Spec) -> None:
    topics = topic_table(cart)
    twisted = (*topics[:-1], replace(topics[-1], name="/cart/odom"))
    assert full_names(twisted)
    with pytest.raises(ArgumentError, match="Two topics would be called /cart/odom"):
        full_names(twisted, "cart")
