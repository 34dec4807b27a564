"""Message types: what a definition may say, what it is made of, and its text."""

from __future__ import annotations

import pytest

from canmap.base.errors import UsageError
from canmap.topics.definitions import MessageField, message_type, schema_text, with_dependencies
from canmap.topics.standard_types import standard_types
from canmap.topics.type_hash import type_hash

TEXT = """\
# a comment
uint8 OFF = 0   # another
int8 LOWEST=-0x80
float32 HALF = 0.5
bool YES = true
string NAME = 'cart'

std_msgs/Header header
std_msgs/msg/Bool one
Inner[] many
float64[36] covariance
string[] names
bool on
"""


def test_a_definition_is_read() -> None:
    kind = message_type("own_msgs/msg/Whole", TEXT)
    assert kind.fields == (
        MessageField("header", "std_msgs/msg/Header"),
        MessageField("one", "std_msgs/msg/Bool"),
        MessageField("many", "own_msgs/msg/Inner", 0),
        MessageField("covariance", "float64", 36),
        MessageField("names", "string", 0),
        MessageField("on", "bool"),
    )
    assert dict(kind.constants) == {"OFF": 0, "LOWEST": -128, "HALF": 0.5, "YES": True, "NAME": "cart"}
    assert kind.constant("LOWEST") == -128
    assert kind.text == TEXT


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bool on\nfloat64", "own_msgs/msg/Whole:2: 'float64' is no field"),
        ("float64 x 1.0", "'float64 x 1.0' is no field"),
        ("string<=8 name", "is no field"),
        ("float64[<=3] several", "is no field"),
        ("float64[0] none", "is no field"),
        ("float64 Speed", "is no field"),
        ("float64 speed_", "is no field"),
        ("wstring name", "wstring is no type"),
        ("char letter", "char is no type"),
        ("a/b/c/Other other", "a/b/c/Other is no type"),
        ("own_msgs/srv/Other other", "own_msgs/srv/Other is no type"),
        ("float64 x\nfloat32 x", "x stands there twice"),
        ("# nothing", "there is no field"),
        ("uint8 OFF = off\nbool on", "off is no constant of the type uint8"),
        ("bool OFF = 2\nbool on", "2 is no constant of the type bool"),
        ("string NAME = cart\nbool on", "cart is no constant of the type string"),
    ],
)
def test_what_is_no_definition_is_refused(text: str, said: str) -> None:
    with pytest.raises(UsageError) as refused:
        message_type("own_msgs/msg/Whole", text)
    assert said in str(refused.value)
    assert str(refused.value).startswith("own_msgs/msg/Whole")


@pytest.mark.parametrize(
    "name", ["Whole", "own_msgs/Whole", "own_msgs/msg/whole", "Own/msg/Whole", "a/srv/Whole"]
)
def test_a_type_has_its_full_name(name: str) -> None:
    with pytest.raises(UsageError, match="package/msg/Type"):
        message_type(name, "bool on")


def test_the_parts_follow_as_they_are_met_each_once() -> None:
    known = standard_types()
    names = [kind.name for kind in with_dependencies(known["nav_msgs/msg/Odometry"], known)]
    assert names == [
        "nav_msgs/msg/Odometry",
        "std_msgs/msg/Header",
        "builtin_interfaces/msg/Time",
        "geometry_msgs/msg/PoseWithCovariance",
        "geometry_msgs/msg/Pose",
        "geometry_msgs/msg/Point",
        "geometry_msgs/msg/Quaternion",
        "geometry_msgs/msg/TwistWithCovariance",
        "geometry_msgs/msg/Twist",
        "geometry_msgs/msg/Vector3",
    ]


def test_the_text_of_a_schema() -> None:
    inner = message_type("own_msgs/msg/Inner", "\nbool on  # or off\n\n")
    outer = message_type("own_msgs/msg/Outer", "Inner inner")
    text = schema_text(outer, {inner.name: inner})
    assert text == "Inner inner\n" + "=" * 80 + "\nMSG: own_msgs/Inner\n\nbool on  # or off\n"
    assert schema_text(inner, {}) == "\nbool on  # or off\n"


def test_unknown_parts_and_circles_are_refused() -> None:
    one = message_type("own_msgs/msg/One", "Two two")
    two = message_type("own_msgs/msg/Two", "One[] ones")
    with pytest.raises(UsageError, match="own_msgs/msg/Two: this message type is not known; define it"):
        with_dependencies(one, {})
    with pytest.raises(UsageError, match="own_msgs/msg/One: a message type cannot be made of itself"):
        with_dependencies(one, {one.name: one, two.name: two})
    with pytest.raises(UsageError, match="own_msgs/msg/Two: this"):
        type_hash(one, {})


def test_all_standard_types_are_whole() -> None:
    known = standard_types()
    assert all(with_dependencies(kind, known)[0].name == name for name, kind in known.items())
