"""Any layout, any payload: `extract` gives what its slow twin gives, and what cantools gives."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import cantools
import numpy as np
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from canmap.mapping.description.load import load_description
from canmap.signals.plan import DecodePlan
from canmap.signals.reference import decode
from tests.decoding import Frame, by_frame, compare, run
from tests.layouts import MessageSketch, descriptions

if TYPE_CHECKING:
    from hypothesis.strategies import DataObject

    from canmap.mapping.description.description import Description


def load(text: str) -> Description:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kit.dbc"
        path.write_text(text, "utf-8")
        return load_description(str(path))


def draw_frames(data: DataObject, sketches: list[MessageSketch]) -> list[Frame]:
    longest = data.draw(st.sampled_from([8, 64]))
    frames = []
    for _ in range(data.draw(st.integers(0, 20))):
        dbc_id = data.draw(st.sampled_from([*(m.dbc_id for m in sketches), 0x123]))
        # Random bytes: selectors are few bits long and often hit what is described.
        payload = data.draw(st.binary(max_size=longest))
        frames.append((dbc_id & 0x1FFF_FFFF, bool(dbc_id >> 31), payload))
    return frames


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(descriptions(), st.data())
def test_extract_agrees_with_its_twin_and_with_cantools(
    described: tuple[str, list[MessageSketch]], data: DataObject
) -> None:
    text, sketches = described
    description = load(text)
    plan = DecodePlan.build([("drive", description)])
    database = cantools.database.load_string(text, "dbc")
    assert {m.name: [s.name for s in m.signals] for m in description.messages} == {
        m.name: [s.name for s in m.signals] for m in sketches
    }
    frames = draw_frames(data, sketches)
    result = by_frame(plan, run(plan, frames), len(frames))
    messages = {(m.can_id, m.extended): m for m in description.messages}
    for (can_id, extended, payload), ours in zip(frames, result, strict=True):
        message = messages.get((can_id, extended))
        expected = decode(message, payload) if message else {}
        assert {name: raw for name, (raw, _) in ours.items()} == expected
        if message:
            known = compare(ours, database.get_message_by_name(message.name), payload)
            event("cantools decodes the frame" if known else "cantools does not know the selector value")


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(descriptions(), st.data())
def test_any_cut_of_the_frames_gives_the_same_samples(
    described: tuple[str, list[MessageSketch]], data: DataObject
) -> None:
    text, sketches = described
    plan = DecodePlan.build([("drive", load(text))])
    frames = draw_frames(data, sketches)
    cut = data.draw(st.integers(0, len(frames)))
    pieces = [
        frame for part in (frames[:cut], frames[cut:]) for frame in by_frame(plan, run(plan, part), len(part))
    ]
    assert repr(pieces) == repr(by_frame(plan, run(plan, frames, 64), len(frames)))


@given(
    st.lists(st.tuples(st.integers(0, 2), st.sampled_from([0, 5, 0x7FF, 0x800, 0x1FFF_FFFF]), st.booleans()))
)
def test_slots_are_found_by_bus_identifier_and_its_length(frames: list[tuple[int, int, bool]]) -> None:
    text = 'VERSION ""\nBU_: A\n' + "".join(
        f"BO_ {dbc_id} M{dbc_id}: 8 A\n" for dbc_id in (5, 0x7FF, 0x8000_0005, 0x8000_0800, 0x9FFF_FFFF)
    )
    description = load(text)
    plan = DecodePlan.build([("a", description), ("b", description)])
    expected = {
        (number, message.can_id, message.extended): number * 5 + place
        for number in (0, 1)
        for place, message in enumerate(description.messages)
    }
    bus = np.array([frame[0] - 1 for frame in frames], np.int8)
    can_id = np.array([frame[1] for frame in frames], np.uint32)
    extended = np.array([frame[2] for frame in frames], np.bool_)
    assert plan.slots_of(bus, can_id, extended).tolist() == [
        expected.get((bus_number - 1, identifier, is_extended), -1)
        for bus_number, identifier, is_extended in frames
    ]
