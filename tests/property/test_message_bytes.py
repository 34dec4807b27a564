"""Bytes, hashes and texts of messages against the libraries rosbags and mcap-ros2-support."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.records import Schema
from mcap_ros2.decoder import DecoderFactory
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

from canmap.topics.cdr import serialised, serialised_one
from canmap.topics.definitions import MessageType, schema_text, with_dependencies
from canmap.topics.standard_types import standard_types
from canmap.topics.type_hash import type_hash
from tests.messages import Rosbags, message_rows, more_types, own_types, plain, rosbags_store

STANDARD = standard_types()
KNOWN = {**STANDARD, **more_types()}


@cache
def library_types(name: str) -> Rosbags:
    """A type as the library defines it; ackermann_msgs, which it does not have, by our own text."""
    store = get_typestore(Stores.ROS2_JAZZY)
    if name.startswith("ackermann_msgs/"):
        store.register(get_types_from_msg(schema_text(STANDARD[name], STANDARD), name))
    return Rosbags(STANDARD[name], STANDARD, store)


def payloads(kind: MessageType, known: dict[str, MessageType], columns: Any, count: int) -> list[bytes]:
    made = serialised(kind, known, columns, count)
    assert len(made) == count
    assert made.start[-1] == made.data.size
    return [made.data[made.start[n] : made.start[n + 1]].tobytes() for n in range(count)]


@pytest.mark.parametrize("name", STANDARD)
@settings(max_examples=12)
@given(data=st.data())
def test_standard_types_become_the_bytes_of_rosbags(name: str, data: st.DataObject) -> None:
    kind, library = STANDARD[name], library_types(name)
    columns, rows = data.draw(message_rows(kind, STANDARD, 3))
    made = payloads(kind, dict(STANDARD), columns, 3)
    assert made == [library.written(row) for row in rows]
    assert repr([library.read(one) for one in made]) == repr(rows)  # by their text: NaN is NaN there
    assert made == [serialised_one(kind, STANDARD, row) for row in rows]


@given(types=own_types(), data=st.data())
def test_types_of_any_layout_become_the_bytes_of_rosbags(
    types: tuple[MessageType, dict[str, MessageType]], data: st.DataObject
) -> None:
    kind, known = types
    library = Rosbags(kind, known, rosbags_store(kind, known))
    columns, rows = data.draw(message_rows(kind, known, 2))
    made = payloads(kind, known, columns, 2)
    assert made == [library.written(row) for row in rows]
    assert repr([library.read(one) for one in made]) == repr(rows)
    assert made == [serialised_one(kind, known, row) for row in rows]
    assert type_hash(kind, known) == library.store.hash_rihs01(kind.name)


@given(types=own_types(), data=st.data(), cut=st.integers(0, 3))
def test_any_cutting_gives_the_same_bytes(
    types: tuple[MessageType, dict[str, MessageType]], data: st.DataObject, cut: int
) -> None:
    kind, known = types
    columns, _ = data.draw(message_rows(kind, known, 3))
    first = payloads(kind, known, _part(columns, slice(cut)), cut)
    rest = payloads(kind, known, _part(columns, slice(cut, None)), 3 - cut)
    assert first + rest == payloads(kind, known, columns, 3)


def _part(columns: Any, rows: slice) -> Any:
    if isinstance(columns, dict):
        return {name: _part(value, rows) for name, value in columns.items()}
    if isinstance(columns, list):
        return [_part(value, rows) for value in columns]
    return columns[rows] if isinstance(columns, np.ndarray) else columns


@pytest.mark.parametrize("name", KNOWN)
def test_hashes_are_those_of_rosbags(name: str) -> None:
    store = rosbags_store(KNOWN[name], KNOWN)
    assert type_hash(KNOWN[name], KNOWN) == store.hash_rihs01(name)
    if not name.startswith("ackermann_msgs/"):
        assert type_hash(KNOWN[name], KNOWN) == get_typestore(Stores.ROS2_JAZZY).hash_rihs01(name)


@pytest.mark.parametrize("name", STANDARD)
def test_constants_are_those_of_rosbags(name: str) -> None:
    if name.startswith("ackermann_msgs/"):
        return
    there = get_typestore(Stores.ROS2_JAZZY).fielddefs[name][0]
    assert list(STANDARD[name].constants) == [(constant, value) for constant, _, value in there]


@pytest.mark.parametrize("name", STANDARD)
@settings(max_examples=3)
@given(data=st.data())
def test_the_schema_text_is_all_that_a_reader_of_bags_needs(name: str, data: st.DataObject) -> None:
    kind = STANDARD[name]
    columns, rows = data.draw(message_rows(kind, STANDARD, 1))
    schema = Schema(id=1, name=name, encoding="ros2msg", data=schema_text(kind, STANDARD).encode())
    decoder = DecoderFactory().decoder_for("cdr", schema)
    assert decoder is not None
    read = decoder(payloads(kind, dict(STANDARD), columns, 1)[0])
    assert repr(plain(kind, STANDARD, read)) == repr(rows[0])


@given(own_types())
def test_rosbags_reads_the_schema_text_of_any_type(types: tuple[MessageType, dict[str, MessageType]]) -> None:
    kind, known = types
    read = get_types_from_msg(schema_text(kind, known), kind.name)
    assert list(read) == [part.name for part in with_dependencies(kind, known)]
    again = rosbags_store(kind, known).generate_msgdef(kind.name, ros_version=2)[0]
    assert again.count("MSG: ") == len(known)
