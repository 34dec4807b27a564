"""Messages of topics follow frames and clock, not the steps: any cutting gives the same, in one order."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.eventful import eventful, modal
from tests.streams import CART, TRUCK, VEHICLE, cuts, spec_of, streams
from tests.topics import converted


@settings(max_examples=30)
@given(st.data())
def test_messages_are_the_same_under_any_cutting(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    cut = whole.split(data.draw(cuts(whole)))
    assert converted(cut, spec_of(path)).messages == converted([whole], spec_of(path)).messages


def test_messages_of_a_drive_with_many_faults_are_the_same_and_in_the_order_of_the_clock() -> None:
    for whole, path in ((eventful(), CART), (modal(), VEHICLE)):
        once = converted([whole], spec_of(path)).messages
        assert len(once) > 300
        assert any(message.topic == "/diagnostics" for message in once)
        for step in (1, 37):
            cut = converted(whole.split(range(0, len(whole), step)), spec_of(path)).messages
            assert cut == once
            assert [one[:3] for one in cut] == sorted(one[:3] for one in cut)
