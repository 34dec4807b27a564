"""Any mess of a description that is mended changes no value (cantools, on the clean text)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import cantools
from hypothesis import given
from hypothesis import strategies as st

from canmap.mapping.description.load import load_description
from canmap.signals.plan import DecodePlan
from tests.decoding import Frame, by_frame, compare, run
from tests.unit.test_messy_descriptions import CLEAN, MESSES, messy

BOTH_END = {"no_comment_end", "no_comment_semicolon"}  # two messes of one comment


@given(st.sets(st.sampled_from(sorted(MESSES))).filter(lambda names: not names >= BOTH_END), st.data())
def test_frames_decode_as_with_the_clean_text(names: set[str], data: st.DataObject) -> None:
    text = CLEAN
    for name in sorted(names):
        text = messy(name, text)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kit.dbc"
        path.write_text(text, "utf-8")
        description = load_description(str(path))
    assert len(description.repairs) == len(names)
    theirs = {
        (message.frame_id, message.is_extended_frame): message
        for message in cantools.database.load_string(CLEAN, "dbc").messages
    }
    assert {(message.can_id, message.extended) for message in description.messages} == theirs.keys()
    frames: list[Frame] = [
        (message.can_id, message.extended, data.draw(st.binary(max_size=message.length)))
        for message in description.messages
    ]
    plan = DecodePlan.build([("drive", description)])
    decoded = by_frame(plan, run(plan, frames), len(frames))
    for (can_id, extended, payload), ours in zip(frames, decoded, strict=True):
        named = {"Third" if name == "3rd" else name: value for name, value in ours.items()}
        compare(named, theirs[can_id, extended], payload)
