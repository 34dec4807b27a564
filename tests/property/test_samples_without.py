"""Samples without some frames are what decoding gives where those frames have no slot."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canmap.engine.engine import Engine
from canmap.signals.extract import extract
from tests.streams import CART, TRUCK, VEHICLE, spec_of, streams


@given(st.data())
def test_samples_without_some_frames_are_decoded_so(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    engine = Engine(spec_of(path))
    decoded = engine.decode(data.draw(streams(path)))
    chunk = decoded.chunk
    some = data.draw(st.lists(st.booleans(), min_size=len(chunk), max_size=len(chunk)))
    gone = np.array(some, np.bool_)
    expected = extract(engine.plan, chunk.payload, chunk.length, np.where(gone, -1, decoded.slot))
    found = decoded.samples.without(gone)
    for name in (
        field.name for field in fields(expected) if field.name not in {"plan", "valid", "group_start"}
    ):
        assert np.array_equal(getattr(found, name), getattr(expected, name)), name
    present = expected.group_count > 0  # where a group without frames begins does not matter
    assert np.array_equal(found.group_start[present], expected.group_start[present])
    all_valid = np.ones(len(expected.raw), np.bool_)
    valid = [all_valid if one.valid is None else one.valid for one in (found, expected)]
    assert np.array_equal(*valid)
