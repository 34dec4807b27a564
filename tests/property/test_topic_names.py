"""Names of topics: whatever the records are called and the spec says, they are legal and no two are one."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.topics.full_names import full_names
from canmap.topics.topic_table import topic_table
from tests.spec_builders import spec_of

# The ROS 2 design article "Topic and Service name mapping to DDS": tokens of letters, digits and underscores
# that do not begin with a digit, no repeated / or _, none at the end; and rmw/validate_full_topic_name.h: at
# most 247 characters.
LEGAL = re.compile(r"(?!.*(//|__))(/[A-Za-z_][A-Za-z0-9_]*)+")
FIELDS = {
    "Steering": "road_angle: SteerFeedback.Angle",
    "Drive": "speed: DriveFeedback.Speed",
    "Wheels": "rear_left: DriveFeedback.Speed",
    "Battery": "charge: {signal: SteerFeedback.Share, unit: '%'}",
    "Stop": "pressed: SteerFeedback.Homed",
    "Motion": "speed: DriveFeedback.Speed, road_angle: SteerFeedback.Angle",
    "SteeringDemand": "road_angle: SteerFeedback.Angle",
    "DriveDemand": "speed: DriveFeedback.Speed",
}
# What topics are called anyway, so that records and settings run into them.
WORDS = (
    "odom",
    "twist",
    "battery",
    "stop",
    "wheels",
    "steering",
    "drive",
    "clock",
    "tf",
    "record",
    "demands",
)
NAMES = st.one_of(st.sampled_from(WORDS), st.from_regex(r"[a-z]{1,3}(_[a-z0-9]{1,2}){0,2}", fullmatch=True))
PARTS = tuple(word for word in WORDS if word != "demands")
TOPICS = st.lists(st.sampled_from((*PARTS, "active", "report", "joint_states")), min_size=1, max_size=3)
GIVEN = TOPICS.map("/".join).filter(lambda name: name not in {"clock", "tf"})


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("topics")


@given(
    records=st.dictionaries(NAMES, st.sampled_from(sorted(FIELDS)), min_size=1, max_size=8),
    given_names=st.lists(
        st.tuples(st.integers(0, 7), GIVEN), unique_by=(lambda one: one[0], lambda one: one[1])
    ),
    dropped=st.sets(st.integers(0, 7), max_size=2),
    namespace=st.sampled_from(["", "cart", "/cart/rear"]),
)
@settings(deadline=None, max_examples=60)
def test_names_are_legal_and_differ(folder, records, given_names, dropped, namespace):
    lines = [
        f"  {name}: {{type: {kind}, stamp: SteerFeedback, {FIELDS[kind]}}}" for name, kind in records.items()
    ]
    named = {}
    for number, topic in given_names:
        name = list(records)[number % len(records)]
        below = "demands/" if records[name].endswith("Demand") else ""
        named.setdefault(name, f"{{own: {{name: {below}{topic}}}}}")
    named |= {list(records)[number % len(records)]: "none" for number in dropped}
    said = [f"    {name}: {settings}" for name, settings in named.items()]
    section = ["topics:", "  records:", *said] if said else []
    geometry = "geometry: {wheelbase: 2 m, rolling_radius: 0.3 m}\n"
    spec = spec_of(folder, geometry + "records:\n" + "\n".join([*lines, *section]) + "\n")
    topics = topic_table(spec, clock=True)
    names = full_names(topics, namespace)
    assert len(set(names)) == len(topics)
    assert all(LEGAL.fullmatch(name) and len(name) <= 247 for name in names)
    for topic in topics:  # a demand is never where a controller listens
        if any(records[record].endswith("Demand") for record in topic.records):
            assert topic.name.startswith("demands/")
