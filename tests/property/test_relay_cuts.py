"""Copies of a gateway under any cutting: the same findings, and the same events on the way."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from tests.cutting import moment
from tests.kits import row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

KIT = """\
BO_ 256 Original: 8 Node
 SG_ Value : 0|16@1+ (1,0) [0|0] "" Other
BO_ 512 Copy: 8 Gateway
 SG_ Value : 0|16@1+ (1,0) [0|0] "" Other
"""
HEAD = """\
vehicle: Test cart
buses: {one: {description: kit.dbc, channel: can0}, two: {description: kit.dbc, channel: can1}}
"""
TEXT = "messages: {two.Copy: {relay_of: {message: one.Original, delay: 5 ms, protection: %s}}}\n"


@cache
def kit(protection: str) -> Spec:
    with tempfile.TemporaryDirectory() as folder:
        periods = {0x100: 20, 0x200: 20}
        return spec_of(Path(folder), KIT, TEXT % protection, periods_ms=periods, head=HEAD)


@st.composite
def relayed(draw: st.DrawFn) -> FrameChunk:
    """Copies that mostly follow their originals; some early, late, changed, missing or frozen."""
    rows, frozen = [], None
    for number in range(draw(st.integers(15, 70))):
        data = bytes([number % draw(st.sampled_from([60, 60, 5])), *bytes(7)])
        if draw(st.integers(0, 15)):
            rows.append(row(20 * number, 0x100, data))
        if draw(st.integers(0, 12)) == 0:
            frozen = None if frozen else data
        said = frozen or (bytes([200, *bytes(7)]) if draw(st.integers(0, 15)) == 0 else data)
        late = draw(st.sampled_from([2, 2, 2, 2, 2, 0, 9, 40, -8, -30]))
        if draw(st.integers(0, 15)):
            rows.append(row(20 * number + late + 30, 0x200, said, "can1"))
    rows = [one if one[1] == "can0" else (one[0] - 30_000_000, *one[1:]) for one in rows]
    return frames(sorted(rows) or [row(0)], ("can0", "can1"))


def said(chunks: list[FrameChunk], protection: str) -> tuple[str, list[tuple[str, ...]]]:
    result, events = inspected(chunks, kit(protection))
    return json.dumps(result.to_json()), sorted(map(moment, events))


@given(st.data())
def test_any_cutting_gives_the_same(data: st.DataObject) -> None:
    protection = data.draw(st.sampled_from(["end_to_end", "own"]))
    whole = data.draw(relayed())
    points = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=12)))
    expected = said([whole], protection)
    assert said(whole.split(points), protection) == expected
    assert said(whole.split(range(1, len(whole))), protection) == expected
