"""The cut law: any cutting of the same frames into chunks gives the same records, findings and JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.chunks import BadLine
from canmap.frames.session import STEPS_KEPT
from canmap.frames.unread import as_unread, cut_short
from tests.cutting import told
from tests.streams import CART, MS, START_NS, TRUCK, VEHICLE, cuts, frames, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Sequence


@given(st.data())
def test_any_cutting_gives_the_same(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    assert told(whole.split(data.draw(cuts(whole))), path) == told([whole], path)


NAMES = ("can0", "can1", "can4", "can5")


def renamed(given: Sequence[str]) -> list[tuple[int, str, int, bytes]]:
    """Every message of the cart three times, and an unknown one, on channels with the names `given`."""
    home = {name: given[number] for number, name in enumerate(spec_of().buses)}
    sent = [(home[rule.bus], rule.message.can_id, bytes(rule.message.length)) for rule in spec_of().messages]
    sent += [(name, 0x7A0 + number, bytes(8)) for number, name in enumerate(home.values())]
    return [(START_NS + t_ms * MS, *frame) for t_ms in range(0, 300, 100) for frame in sent]


@given(st.data())
def test_any_cutting_of_renamed_channels_gives_the_same(data: st.DataObject) -> None:
    rows = renamed(data.draw(st.permutations(NAMES)))
    kept = data.draw(st.lists(st.sampled_from(rows), unique=True) | st.just(rows))
    whole = frames([row for row in rows if row in kept], NAMES)
    assert told(whole.split(data.draw(cuts(whole)))) == told([whole])


@pytest.mark.parametrize("given", [("can1", "can0"), ("can4", "can1"), ("can1", "can4"), ("can4", "can5")])
def test_renamed_channels_are_told_the_same_frame_by_frame(given: tuple[str, ...]) -> None:
    whole = frames(renamed(given), NAMES)
    expected = told([whole])
    assert told(whole.split(range(len(whole) + 1))) == expected
    (advice,) = {text for *_, text in expected[2] if "give channels=" in text}
    for bus, name in zip(spec_of().buses.values(), given, strict=True):
        assert (f'"{bus.name}": "{name}"' in advice) is (name != bus.channel)


@given(st.data())
def test_bad_lines_stay_where_they_stand(data: st.DataObject) -> None:
    whole = data.draw(streams())
    places = data.draw(st.lists(st.integers(0, len(whole)), max_size=30).map(sorted))
    bad = tuple(
        BadLine(place, "a.log", 1 + i, cut_short() if i % 4 == 3 else as_unread("it is cut"))
        for i, place in enumerate(places)
    )
    whole = replace(whole, bad=bad, bad_count=len(bad) + (3 if bad else 0))
    assert told(whole.split(data.draw(cuts(whole)))) == told([whole])


def test_a_clock_that_steps_more_often_than_is_listed() -> None:
    """Thirty steps back by 3 s, each caught up by the next stamp: the twentieth takes in the others."""
    whole = frames(
        (START_NS + i * 10 * MS - (3000 * MS if i % 3 == 1 else 0), "can0", 0x101, bytes(8))
        for i in range(90)
    )
    of_whole, _, events = told([whole])
    assert sum(finding["count"] for finding in json.loads(of_whole)["findings"]) >= 30
    assert told(whole.split(range(1, len(whole)))) == told([whole])
    # What began is over once, and each only once.
    steps = [event for event in events if event[2] == "time_order"]
    assert sorted(event[1] for event in steps) == ["Closed"] * STEPS_KEPT + ["Opened"] * STEPS_KEPT
