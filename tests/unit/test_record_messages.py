"""Message types of records: their fields and texts, against the rules and hashes of the ROS 2 tools."""

from __future__ import annotations

import keyword
import re
from enum import IntEnum

import pytest
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

import canmap
from canmap.topics.interface_package import interface_packages
from canmap.topics.record_messages import record_message, vehicle_package
from canmap.topics.standard_types import standard_types
from canmap.topics.type_hash import type_hash
from canmap.vocabulary.record_types import CORE_TYPES, field_types
from canmap.vocabulary.ros_names import file_name, is_reserved_word
from tests.spec_builders import VEHICLE

# rosidl_adapter/parser.py, VALID_..._NAME_PATTERN (read in rosidl of Kilted)
FIELD = PACKAGE = re.compile(r"^(?!.*__)(?!.*_$)[a-z][a-z0-9_]*$")
MESSAGE = re.compile(r"^[A-Z][A-Za-z0-9]*$")
CONSTANT = re.compile(r"^[A-Z]([A-Z0-9_]?[A-Z0-9]+)*$")
ALL = [kind for package in interface_packages(canmap.load_spec(VEHICLE)) for kind in package.types]
RECORD_TYPES = {**CORE_TYPES, "LiftArm": canmap.load_spec(VEHICLE).records[-2].type}


def test_there_is_one_for_each_type_of_record() -> None:
    assert [kind.name for kind in ALL] == [
        *(f"canmap_msgs/msg/{name}" for name in CORE_TYPES),
        "yard_hauler_msgs/msg/LiftArm",
    ]


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_names_are_legal(kind) -> None:
    package, _, name = kind.name.partition("/msg/")
    assert PACKAGE.match(package)
    assert MESSAGE.match(name)
    for field in kind.fields:
        assert FIELD.match(field.name), field.name
        assert not keyword.iskeyword(field.name)
        assert not is_reserved_word(field.name)
    assert all(CONSTANT.match(constant) for constant, _ in kind.constants)


@pytest.mark.parametrize("name", RECORD_TYPES)
def test_each_field_has_its_validity_age_and_flag(name: str) -> None:
    record_type = RECORD_TYPES[name]
    message = record_message(record_type, "Yard hauler")
    fields = iter(message.fields)
    header = next(fields)
    assert (header.name, header.type, header.count) == ("header", "std_msgs/msg/Header", None)
    constants = dict(message.constants)
    for kind in field_types(record_type).values():
        basic = "uint8" if issubclass(kind.kind, IntEnum) else {bool: "bool", int: "int64"}.get(kind.kind)
        expected = [
            (kind.name, basic or "float64"),
            (f"{kind.name}_valid", "bool"),
            (f"{kind.name}_age", "float64"),
            (f"{kind.name}_out_of_range", "bool"),
        ]
        assert [(field.name, field.type) for field in (next(fields) for _ in range(4))] == expected
        for state in kind.kind if basic == "uint8" else ():
            assert constants.pop(f"{kind.name.upper()}_{state.name}") == state.value
    assert list(fields) == []
    assert constants == {}


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_the_type_hash_is_that_of_another_reader_of_the_text(kind) -> None:
    """rosbags reads the text of the type, and hashes it by REP 2011."""
    store = get_typestore(Stores.ROS2_JAZZY)
    store.register(get_types_from_msg(kind.text, kind.name))
    assert type_hash(kind, {**standard_types(), kind.name: kind}) == store.hash_rihs01(kind.name)


def test_units_and_signs_stand_in_the_text() -> None:
    text = record_message(CORE_TYPES["Steering"], "").text
    assert "\n# rad, steering wheel, positive to the left\nfloat64 wheel_angle\n" in text
    assert "\nuint8 STATE_FAULTED=5\n# of the steering actuator\nuint8 state\n" in text
    assert (
        "\n# a plain number: of full travel, 0 to 1\nfloat64 throttle\n"
        in record_message(CORE_TYPES["Drive"], "").text
    )


@pytest.mark.parametrize(
    ("vehicle", "package"),
    [
        ("Orchard cart", "orchard_cart_msgs"),
        ("Käthe's 2nd cart -- B", "kathe_s_2nd_cart_b_msgs"),
        ("4x4 hauler", "x4_hauler_msgs"),
        ("Std", "std_vehicle_msgs"),
        ("canmap", "canmap_vehicle_msgs"),
        ("12 34", "vehicle_msgs"),
        ("трактор", "vehicle_msgs"),
        ("a" * 59 + " b", "a" * 59 + "_msgs"),
    ],
)
def test_a_vehicle_has_a_package_of_its_own(vehicle: str, package: str) -> None:
    assert vehicle_package(vehicle) == package
    assert PACKAGE.match(package)


def test_a_text_holds_nothing_that_the_generators_cannot_read(tmp_path) -> None:
    for path in VEHICLE.parent.glob("*.dbc"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = VEHICLE.read_text(encoding="utf-8").replace("include: [shared/limits.yaml]\n", "")
    odd = r"""'the "height" [m], \u00zz'"""
    path = tmp_path / "vehicle.yaml"
    path.write_text(
        text.replace("meaning: of the fork above the ground", f"meaning: {odd}"), encoding="utf-8"
    )
    (_, package) = interface_packages(canmap.load_spec(path))
    assert "# m, the 'height' (m), /u00zz\n" in package.types[0].text


def test_names_of_files() -> None:
    """As `convert_camel_case_to_lower_case_underscore` of rosidl_pycommon makes them."""
    names = {"LiftArm": "lift_arm", "LIFTArm": "lift_arm", "Liftarm": "liftarm", "HTTPState2": "http_state2"}
    assert {name: file_name(name) for name in names} == names
