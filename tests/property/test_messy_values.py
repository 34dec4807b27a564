"""Whatever is garbled in a description: what is read of it has the values of the clean text (cantools)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.mapping.description.load import load_description
from canmap.signals.plan import DecodePlan
from tests.decoding import Frame, by_frame, cantools_decode, compare, run
from tests.unit.test_messy_descriptions import CLEAN, HARMLESS, MESSES, messy, path_of, together

THEIRS = {
    (message.frame_id, message.is_extended_frame): message
    for message in cantools.database.load_string(CLEAN, "dbc").messages
}

Decoded = dict[str, tuple[int | None, float | None]]


def decode(path: Path, data: st.DataObject) -> list[tuple[Frame, Decoded]]:
    """Decode a random frame of each message of a description; return each with its values by signal."""
    description = load_description(str(path))
    frames: list[Frame] = []
    for message in description.messages:
        payload = data.draw(st.binary(max_size=message.length))
        if message.name == "Page":  # of few values of its selector
            payload = bytes([data.draw(st.integers(0, 5)), *payload[1:]])
        frames.append((message.can_id, message.extended, payload))
    plan = DecodePlan.build([("drive", description)])
    decoded = by_frame(plan, run(plan, frames), len(frames))
    return [
        (frame, {"Third" if name == "3rd" else name: value for name, value in ours.items()})
        for frame, ours in zip(frames, decoded, strict=True)
    ]


@given(st.sets(st.sampled_from(HARMLESS), max_size=8).filter(together), st.data())
def test_frames_decode_as_with_the_clean_text(names: set[str], data: st.DataObject) -> None:
    text = CLEAN
    for name in sorted(names):
        text = messy(name, text)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kit.dbc"
        path.write_text(text, "utf-8")
        decoded = decode(path, data)
    assert {frame[:2] for frame, _ in decoded} == THEIRS.keys()
    for (can_id, extended, payload), ours in decoded:
        compare(ours, THEIRS[can_id, extended], payload)


@pytest.mark.parametrize("name", MESSES)
@given(st.data())
def test_what_is_left_of_a_file_decodes_as_with_the_clean_text(name: str, data: st.DataObject) -> None:
    for (can_id, extended, payload), ours in decode(path_of(name), data):
        message = THEIRS[can_id, extended]
        raw, scaled = (cantools_decode(message, payload, scaling=scaling) for scaling in (False, True))
        if raw is None or scaled is None:
            continue
        found = {one: value for one, value in ours.items() if value[0] is not None}
        assert {one: value[0] for one, value in found.items()} == {one: raw[one] for one in found}
        assert {one: value[1] for one, value in found.items()} == pytest.approx(
            {one: scaled[one] for one in found}, rel=1e-12
        )
