"""The stop chain and the restarts of nodes under any cutting: the same findings, and the same events."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from tests import stops
from tests.cutting import moment
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec


@cache
def kit() -> Spec:
    with tempfile.TemporaryDirectory() as folder:
        return stops.spec(Path(folder))


@st.composite
def drives(draw: st.DrawFn) -> FrameChunk:
    """A kit that mostly goes on as it is: presses, openings, cuts, silences, restarts and low supplies."""
    rows, now_ms = [], 0.0
    bits = {"pressed": False, "off": False, "opened": False, "cut": False}
    volts, starts, ran, number = 12, 1, 0, 0
    for _ in range(draw(st.integers(5, 40))):
        now_ms += draw(st.sampled_from([5, 5, 5, 5, 0, 20, 110, 600]))
        happens = draw(st.sampled_from([*bits, "sag", "restart", "boot", *[""] * 12]))
        ran += 1
        if happens in bits:
            bits[happens] = not bits[happens]
        elif happens == "sag":
            volts = 20 - volts
        elif happens == "restart":
            starts, ran, number = starts + 1, 0, 0
        elif happens == "boot":
            rows.append(stops.boot(now_ms))
        number += 1
        sent = [
            stops.panel(now_ms, bits["pressed"], bits["off"]),
            stops.state(now_ms + 0.3, bits["opened"], bits["cut"]),
            stops.steer(now_ms + 0.6, number, volts, starts, ran),
            stops.slow(now_ms + 0.9),
        ]
        which = draw(st.integers(1, 15))
        rows += [row for place, row in enumerate(sent) if which >> place & 1]
    return frames(rows)


@st.composite
def stopped(draw: st.DrawFn) -> FrameChunk:
    """A stop, with what it leads to sooner, later or never, and some frames that are missing."""
    moment = st.sampled_from([60, 100, 140, 180, 240, 300, 2000])
    pressed, opened, cut, silent, back = (draw(moment) for _ in range(5))
    lost = draw(st.sets(st.integers(0, 70), max_size=6))
    rows = []
    for t in range(0, 480, 20):
        asked = pressed <= t < pressed + back
        rows += [stops.panel(t + 1, asked), stops.state(t + 2, opened <= t, cut <= t)]
        if t < silent:
            rows += [stops.steer(t + 3, t // 20)]
    return frames(row for number, row in enumerate(rows) if number not in lost)


def said(chunks: list[FrameChunk]) -> tuple[str, list[tuple[str, ...]]]:
    result, events = inspected(chunks, kit())
    return json.dumps(result.to_json()), sorted(map(moment, events))


@settings(max_examples=30)
@given(st.data())
def test_any_cutting_gives_the_same(data: st.DataObject) -> None:
    whole = data.draw(drives() | stopped())
    points = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=12)))
    pieces = data.draw(st.just(points) | st.just(range(1, len(whole))))
    assert said(whole.split(pieces)) == said([whole])
