"""What may be given as columns of messages, what is refused, and points of time as columns."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.base.errors import ArgumentError, OutputError, UsageError
from canmap.topics.cdr import serialised, serialised_one
from canmap.topics.definitions import message_type
from canmap.topics.stamps import time_columns
from canmap.topics.standard_types import standard_types

KNOWN = standard_types()
ODOMETRY = KNOWN["nav_msgs/msg/Odometry"]
INNER = message_type("own_msgs/msg/Inner", "uint8 level\nstring name")
KIND = message_type(
    "own_msgs/msg/Kind",
    "bool on\nfloat32 ratio\nint16 gear\nuint64 count\nfloat64[2] pair\n"
    "uint8[] codes\nstring[2] names\nInner[] parts",
)
TYPES = {INNER.name: INNER}


def bodies(columns: dict[str, Any], count: int) -> list[bytes]:
    made = serialised(KIND, TYPES, columns, count)
    return [made.data[first:last].tobytes() for first, last in zip(made.start, made.start[1:], strict=False)]


def one(**values: Any) -> bytes:
    return serialised_one(KIND, TYPES, values)


def test_what_is_not_given_is_zero_false_or_empty() -> None:
    (made,) = bodies({}, 1)
    # on, ratio, gear, count, the pair, no codes, two empty names, no parts; written by hand from the rules
    hand = struct.pack("<4B B3xfhxxxxxx Q2d I IB3x IB3x I", 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0)
    assert made == hand


@pytest.mark.parametrize("count", [0, 1, 2, 1000])
def test_each_row_is_its_own_message(count: int) -> None:
    gears = np.arange(count) - 2
    pairs = np.arange(2 * count, dtype=np.float32).reshape(count, 2)
    made = bodies({"gear": gears, "pair": pairs, "names": ["a", "bc"]}, count)
    assert made == [one(gear=gears[n], pair=pairs[n], names=["a", "bc"]) for n in range(count)]


def test_many_rows_are_written_in_more_than_one_tile() -> None:
    count = 1000
    x = np.arange(count, dtype=np.float64)
    frames = {"header.frame_id": "odom", "child_frame_id": "base_link"}
    made = serialised(ODOMETRY, KNOWN, {"pose.pose.position.x": x, **frames}, count)
    rows = made.data.reshape(count, 724)  # the length of the published message with these frames
    each = [serialised_one(ODOMETRY, KNOWN, {"pose.pose.position.x": value, **frames}) for value in x]
    assert [row.tobytes() for row in rows] == each


def test_columns_need_not_lie_together() -> None:
    wide = np.arange(12, dtype=">i8").reshape(6, 2)
    assert bodies({"gear": wide[::2, 1]}, 3) == [one(gear=value) for value in (1, 5, 9)]


def test_dotted_paths_and_mappings_say_the_same() -> None:
    header = {"stamp": {"sec": 3}, "stamp.nanosec": 4, "frame_id": "odom"}
    dotted = {"header.stamp.sec": 3, "header.stamp.nanosec": 4, "header": {"frame_id": "odom"}}
    assert serialised_one(ODOMETRY, KNOWN, {"header": header}) == serialised_one(ODOMETRY, KNOWN, dotted)


def test_messages_in_a_sequence_hold_columns_too() -> None:
    made = bodies({"parts": [{"level": np.array([1, 2]), "name": "a"}, {"level": 3}]}, 2)
    assert made == [one(parts=[{"level": level, "name": "a"}, {"level": 3}]) for level in (1, 2)]


def test_what_a_float32_cannot_hold_is_infinite() -> None:
    columns = bodies({"ratio": np.array([1e300, -1e300, np.nan])}, 3)
    assert columns == [one(ratio=value) for value in (np.inf, -np.inf, np.nan)]
    assert one(ratio=1e300) == one(ratio=np.inf)


def test_the_whole_range_of_an_integer_is_taken() -> None:
    largest = 2**64 - 1
    assert one(count=largest) == bodies({"count": np.array([largest], np.uint64)}, 1)[0]
    assert one(gear=-32768) == bodies({"gear": np.array([-32768])}, 1)[0]
    assert one(codes=[0, 255]) == bodies({"codes": np.array([[0, 255]])}, 1)[0]


def test_numbers_take_narrower_kinds() -> None:
    assert one(ratio=np.True_, gear=True) == one(ratio=1, gear=1)
    assert bodies({"gear": np.array([True])}, 1) == [one(gear=1)]


def test_what_no_string_can_hold_becomes_a_question_mark() -> None:
    assert one(names=["a\0b", "\udc80"]) == one(names=["a?b", "?"])
    assert "Gerät".encode() in one(names=["Gerät", ""])


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"speed": 1}, "speed: own_msgs/msg/Kind has no such field"),
        ({"parts": [{"speed": 1}]}, "parts[0].speed: own_msgs/msg/Inner has no such field"),
        ({"gear": 40_000}, "gear: a value is out of the range of int16"),
        ({"gear": np.array([1, 40_000])}, "gear: a value is out of the range of int16"),
        ({"gear": np.array([1, -40_000])}, "gear: a value is out of the range of int16"),
        ({"count": np.array([1, -1])}, "count: a value is out of the range of uint64"),
        ({"codes": [1, 256]}, "codes: a value is out of the range of uint8"),
        ({"gear": 1.0}, "gear: this is no value of the type int16"),
        ({"gear": None}, "gear: this is no value of the type int16"),
        ({"gear": np.array([1.0, 2.0])}, "gear: values of the type float64 do not become int16"),
        ({"on": 1}, "on: values of the type int64 do not become bool"),
        ({"ratio": "1"}, "do not become float32"),
        ({"ratio": ""}, "do not become float32"),
        ({"ratio": [1.0, 2.0]}, "ratio: an array of the shape (2,) does not fit"),
        ({"ratio": None}, "ratio: values of the type object do not become float32"),
        ({"pair": [[1.0], [1.0, 2.0]]}, "pair: this is no value of the type float64"),
        ({"gear": np.array([1, 2, 3])}, "gear: give a value for each of the 2 messages, not 3"),
        ({"gear": np.zeros((2, 2), int)}, "gear: an array of the shape (2, 2) does not fit"),
        ({"pair": 1.0}, "pair: an array of the shape () does not fit"),
        ({"pair": (1.0, 2.0, 3.0)}, "pair: give 2 values, not 3"),
        ({"pair": np.zeros((2, 3))}, "pair: give 2 values, not 3"),
        ({"names": ["a"]}, "names: give 2 values, not 1"),
        ({"names": "ab"}, "names: give a list, each item of the type string"),
        ({"names": ["a", 1]}, "names[1]: give a text"),
        ({"parts": {"level": 1}}, "parts: give a list, each item of the type own_msgs/msg/Inner"),
        ({"parts": [1]}, "parts[0]: give what the fields of this message hold, by name"),
    ],
)
def test_what_does_not_fit_is_refused_by_its_path(columns: dict[str, Any], said: str) -> None:
    with pytest.raises(ArgumentError) as refused:
        serialised(KIND, TYPES, columns, 2)
    assert said in str(refused.value)


def test_more_refusals() -> None:
    with pytest.raises(ArgumentError, match="header: it is given twice"):
        serialised_one(ODOMETRY, KNOWN, {"header.stamp.sec": 1, "header": {"stamp.sec": 2}})
    with pytest.raises(ArgumentError, match="header: it is given twice"):
        serialised_one(ODOMETRY, KNOWN, {"header": 1, "header.stamp.sec": 2})
    with pytest.raises(ArgumentError, match=r"an array of the shape \(1,\) does not fit"):
        one(gear=np.array([1]))
    with pytest.raises(UsageError, match="own_msgs/msg/Inner: this message type is not known"):
        serialised_one(KIND, {}, {"parts": [{}]})


def test_before_1970_seconds_are_rounded_down() -> None:
    # -1.7 s is sec -2, nanosec 300000000: the comments of builtin_interfaces/msg/Time say so
    sec, nanosec = time_columns(np.array([-1_700_000_000, -1, 0, 1_700_000_000]))
    assert (sec.dtype, nanosec.dtype) == (np.int32, np.uint32)
    assert sec.tolist() == [-2, -1, 0, 1]
    assert nanosec.tolist() == [300_000_000, 999_999_999, 0, 700_000_000]


@given(st.lists(st.integers(-(2**31) * 10**9, 2**31 * 10**9 - 1)))
def test_stamps_come_back(stamps: list[int]) -> None:
    sec, nanosec = time_columns(np.array(stamps, np.int64))
    assert [int(s) * 10**9 + int(ns) for s, ns in zip(sec, nanosec, strict=True)] == stamps
    assert (nanosec < 10**9).all()


@pytest.mark.parametrize("stamp_ns", [2**31 * 10**9, -(2**31) * 10**9 - 1])
def test_a_stamp_that_does_not_fit_is_refused(stamp_ns: int) -> None:
    with pytest.raises(OutputError, match="does not fit into the time of a ROS 2 message"):
        time_columns(np.array([0, stamp_ns]))
    assert datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=2**31) > datetime(2038, 1, 19, tzinfo=UTC)
