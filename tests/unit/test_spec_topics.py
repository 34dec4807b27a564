"""The section `topics` of a spec, and where the vehicle's frame is: what is read, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import SpecError
from canmap.mapping.loader import load_spec
from canmap.mapping.topic_rules import BASE_FRAME, ODOM_FRAME, UNSAID, TopicRule
from tests.spec_builders import VEHICLE, spec_of

if TYPE_CHECKING:
    from pathlib import Path

MS = 1_000_000
RECORDS = """\
geometry: {wheelbase: 2 m}
records:
  steering: {type: Steering, stamp: SteerFeedback, road_angle: SteerFeedback.Angle}
  drive: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}
  motion: {type: Motion, stamp: SteerFeedback, speed: drive.speed, road_angle: steering.road_angle}
  other: {type: Motion, stamp: SteerFeedback, speed: drive.speed, road_angle: steering.road_angle}
  wanted: {type: SteeringDemand, stamp: SteerFeedback, road_angle: SteerFeedback.Angle}
topics:
"""
FIRST = 12  # line behind it
OF_MOTION = "  records:\n    motion: "
ZERO = (
    "A variance is never zero, as nothing is known exactly: write one from 1e-30 to 1e30, "
    "a large one such as 1e6 for what is not measured."
)
CORRELATED = ", ".join("2" if i == j else "1" if i + j == 1 else "0" for i in range(6) for j in range(6))

# What stands below `topics:`; line from there, column and sentence of the one fault.
CASES = {
    "key": (
        "  base_fram: x\n",
        1,
        3,
        "The section `topics` has no key `base_fram`; did you mean `base_frame`?",
    ),
    "record": (
        "  records: {motoin: none}\n",
        *(1, 13, "The spec has no record `motoin`; did you mean `motion`?"),
    ),
    "message of another type": (
        "  records:\n    drive: {twist: none}\n",
        *(2, 13, "A Drive record has no key `twist`; there is only `own`."),
    ),
    "message": (
        OF_MOTION + "{odometri: none}\n",
        *(2, 14, "A Motion record has no key `odometri`; did you mean `odometry`?"),
    ),
    "setting": (
        OF_MOTION + "{twist: {qos: reliable}}\n",
        *(
            2,
            22,
            "A topic has no key `qos`; it is one of name, frame, reliability, durability, depth or deadline.",
        ),
    ),
    "frame of what has none": (
        "  stop_active: {frame: base_link}\n",
        *(
            1,
            17,
            "A topic without a frame has no key `frame`; "
            "it is one of name, reliability, durability, depth or deadline.",
        ),
    ),
    "reliability": (
        OF_MOTION + "{twist: {reliability: besteffort}}\n",
        *(2, 35, "`besteffort` is not a reliability; did you mean `best_effort`?"),
    ),
    "durability": (
        OF_MOTION + "{twist: {durability: latched}}\n",
        *(2, 34, "`latched` is not a durability; it is one of volatile or transient_local."),
    ),
    "depth": (OF_MOTION + "{twist: {depth: 0}}\n", 2, 29, "`0` is not between 1 and 10000."),
    "deadline": (
        OF_MOTION + "{twist: {deadline: 3}}\n",
        *(2, 32, "The number has no unit: write one that converts to s, such as ms."),
    ),
    "name": (
        OF_MOTION + "{twist: {name: 2/wheels}}\n",
        *(2, 28),
        "`2/wheels` is not a name for a topic: it is not made of parts such as wheel_speeds "
        "(letters, digits, single _), with a / between them.",
    ),
    "long name": (
        OF_MOTION + "{twist: {name: " + "a" * 247 + "}}\n",
        *(2, 28, f"`{'a' * 60}...` is not a name for a topic: it is longer than 247 characters."),
    ),
    "absolute name": (
        OF_MOTION + "{twist: {name: /twist}}\n",
        *(2, 28, "The topic `/twist` must not begin with /, so that a namespace can be put before it."),
    ),
    "name of ROS 2": (
        OF_MOTION + "{own: {name: tf_static}}\n",
        *(2, 26, "The topic `tf_static` has a meaning of its own in ROS 2; choose another name."),
    ),
    "name of commands": (
        OF_MOTION + "{twist: {name: base/cmd_vel}}\n",
        *(2, 28),
        "The topic `base/cmd_vel` has a name by which controllers take commands; "
        "choose another one for a report.",
    ),
    "demand where a controller may listen": (
        "  records:\n    wanted: {own: {name: steering_cmd}}\n",
        *(2, 26),
        "The topic `steering_cmd` must begin with demands/, as a controller could obey a demand "
        "that was only seen.",
    ),
    "name given twice": (
        OF_MOTION + "{twist: {name: a}, own: {name: b}}\n    other: {odometry: {name: a}}\n",
        *(3, 30, f"The topic `a` is given twice; first on line {FIRST + 1}."),
    ),
    "frame": (
        "  odom_frame: /odom\n",
        *(1, 15, "`/odom` is not a name for a frame: write it like base_link, without a / before it."),
    ),
    "zero on the diagonal": (OF_MOTION + "{pose_covariance: [1, 0, 1, 1, 1, 1]}\n", 2, 31, ZERO),
    "all zero": (OF_MOTION + f"{{twist_covariance: [{', '.join('0' * 36)}]}}\n", 2, 32, ZERO),
    "negative variance": (OF_MOTION + "{pose_covariance: [1, 1, 1, 1, 1, -1]}\n", 2, 31, ZERO),
    "no float holds it": (OF_MOTION + "{pose_covariance: [1, 1, 1, 1, 1, 1e-90]}\n", 2, 31, ZERO),
    "number of values": (
        OF_MOTION + "{pose_covariance: [1, 1, 1, 1, 1, 1, 1]}\n",
        *(2, 31, "A covariance has 6 values, its diagonal, or 36, not 7."),
    ),
    "not symmetric": (
        OF_MOTION + f"{{pose_covariance: [{CORRELATED.replace('1', '0', 1)}]}}\n",
        *(2, 31, "This is no covariance: it must be symmetric, and positive in every direction."),
    ),
    "correlation above 1": (
        OF_MOTION + f"{{pose_covariance: [{CORRELATED.replace('1', '3')}]}}\n",
        *(2, 31, "This is no covariance: it must be symmetric, and positive in every direction."),
    ),
    "two parents": (
        OF_MOTION + "{transform: yes}\n    other: {transform: yes}\n",
        *(3, 5, "The pose of motion is broadcast already, and a frame has one parent."),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_mistake_is_told_at_its_place(tmp_path: Path, name: str) -> None:
    text, line, column, sentence = CASES[name]
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, RECORDS + text)
    told = [(fault.line, fault.column, fault.text) for fault in raised.value.faults]
    assert told == [(FIRST + line - 1, column, sentence)]


def test_nothing_is_reported_that_only_follows(tmp_path: Path) -> None:
    text = (
        RECORDS.replace("type: Steering,", "type: Sterring,") + "  records: {steering: {ackermann: none}}\n"
    )
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text)
    assert [fault.line for fault in raised.value.faults] == [6]


def test_a_spec_without_the_section_says_nothing(tmp_path: Path) -> None:
    topics = spec_of(tmp_path, "").topics
    assert (topics.base_frame, topics.odom_frame) == (BASE_FRAME, ODOM_FRAME) == ("base_link", "odom")
    assert topics.stop_active is topics.diagnostics is UNSAID
    assert topics.of("anything").rule("own") is UNSAID


def test_everything_that_can_be_said_is_read() -> None:
    spec = load_spec(VEHICLE)
    topics = spec.topics
    assert (topics.base_frame, topics.odom_frame) == ("hauler/base_link", "hauler/odom")
    assert (topics.stop_active.name, topics.stop_active.depth) == ("stop/any", 1)
    assert (topics.diagnostics.name, topics.diagnostics.reliable) == ("/diagnostics", True)
    motion = topics.of("motion")
    odometry = motion.rule("odometry")
    assert odometry == TopicRule(
        name="wheel_odometry",
        frame="odom",
        reliable=False,
        transient_local=False,
        depth=1,
        deadline_ns=50 * MS,
        line=odometry.line,
    )
    assert VEHICLE.read_text().splitlines()[odometry.line - 1].strip().startswith("odometry:")
    assert not motion.rule("twist").published
    assert motion.rule("own").deadline_ns == 0
    assert motion.transform
    assert len(motion.pose_covariance) == 36
    assert motion.pose_covariance[::7] == (4, 4, 1e6, 1e6, 1e6, 0.5)
    assert sum(value != 0 for value in motion.pose_covariance) == 6
    assert not topics.of("brake").published
    assert not topics.of("battery").rule("battery").published


def test_a_whole_covariance_is_taken_row_by_row(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, f"{RECORDS}{OF_MOTION}{{twist_covariance: [{CORRELATED}]}}\n")
    covariance = spec.topics.of("motion").twist_covariance
    assert covariance[:8] == (2, 1, 0, 0, 0, 0, 1, 2)


@pytest.mark.parametrize(
    ("written", "ahead"),
    [("rear_axle", 0.0), ("front_axle", 2.0), ("0.93 m", 0.93), ("-200 mm", -0.2), ("0 m", 0.0)],
)
def test_where_the_frame_of_the_vehicle_is(tmp_path: Path, written: str, ahead: float) -> None:
    spec = spec_of(tmp_path, f"geometry: {{wheelbase: 2 m, reference_point: {written}}}\n")
    assert spec.geometry.reference_point == ahead


@pytest.mark.parametrize(
    ("geometry", "column", "sentence"),
    [
        (
            "{reference_point: front_axle}",
            29,
            "The `reference_point` at the front axle needs the `wheelbase` beside it.",
        ),
        (
            "{reference_point: front_axel}",
            29,
            "`front_axel` is not a reference point; did you mean `front_axle`?",
        ),
        ("{reference_point: 2 s}", 29, "The unit `s` does not convert to m."),
    ],
)
def test_a_frame_that_is_nowhere(tmp_path: Path, geometry: str, column: int, sentence: str) -> None:
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, f"geometry: {geometry}\n")
    (fault,) = raised.value.faults
    assert (fault.line, fault.column, fault.text) == (4, column, sentence)


FIELDS = "record_types:\n  LiftArm:\n    fields:\n"


@pytest.mark.parametrize(
    ("text", "line", "column", "sentence"),
    [
        (
            FIELDS + "      speed: {unit: m/s}\n      speed_valid: {kind: bool}\n",
            8,
            7,
            "A message would have `speed_valid` twice, for the field speed and the field speed_valid: "
            "choose another name.",
        ),
        (
            FIELDS + "      header: {kind: int}\n",
            7,
            7,
            "A message would have `header` twice, for its header and the field header: choose another name.",
        ),
        (
            FIELDS + "      a: {states: [b_c, d]}\n      a_b: {states: [e, c]}\n",
            8,
            25,
            "A message would have `A_B_C` twice, for the state b_c of a and the state c of a_b: "
            "choose another name.",
        ),
        (
            FIELDS + "      default: {kind: int}\n",
            7,
            7,
            "`default` means something in C++, IDL or Python: choose another name.",
        ),
        (
            FIELDS + "      a__b: {kind: int}\n",
            7,
            7,
            "`a__b` is not a name for a field: write it like wheel_angle.",
        ),
        (
            FIELDS + "      a: {kind: int}\n  LIFTArm:\n    fields: {a: {kind: int}}\n",
            8,
            3,
            "LIFTArm and LiftArm would be one file of a message package: choose another name.",
        ),
    ],
)
def test_names_that_no_message_could_have(
    tmp_path: Path, text: str, line: int, column: int, sentence: str
) -> None:
    with pytest.raises(SpecError) as raised:
        spec_of(tmp_path, text)
    (fault,) = raised.value.faults
    assert (fault.line, fault.text) == (line, sentence)
    assert fault.column == column
