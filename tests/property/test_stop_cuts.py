"""The stop chain and the restarts of nodes under any cutting: the same findings, and the same events."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.checks.common.bit_course import NEVER_NS, BitCourse
from canmap.checks.common.state_course import StateCourse
from canmap.checks.nodes import late_starts, node_restarts
from canmap.checks.nodes.brief_openings import BriefOpenings
from canmap.checks.nodes.cut_groups import CutGroup
from canmap.checks.nodes.stop_chain import StopChainCheck
from canmap.checks.nodes.stop_onsets import Onsets
from tests import stops
from tests.cutting import moment
from tests.streams import START_NS, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable

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
        happens = draw(st.sampled_from([*bits, "sag", "restart", "boot", "event", *[""] * 12]))
        ran += 1
        if happens in bits:
            bits[happens] = not bits[happens]
        elif happens == "sag":
            volts = 20 - volts
        elif happens == "restart":
            starts, ran, number = starts + 1, 0, 0
        elif happens == "boot":
            rows.append(stops.boot(now_ms))
        elif happens == "event":
            rows.append(stops.event(now_ms))
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


def stop(
    pressed: int = 2000, opened: int = 2000, cut: int = 2000, silent: int = 2000, released: int = 2000
) -> list[tuple[int, str, int, bytes]]:
    """What comes every 20 ms, with the times in ms at which what happens, happens."""
    rows = []
    for t in range(0, 520, 20):
        rows += [stops.panel(t + 1, pressed <= t < released), stops.state(t + 2, opened <= t, cut <= t)]
        if t < silent:
            rows += [stops.steer(t + 3, t // 20)]
    return rows


@st.composite
def stopped(draw: st.DrawFn) -> FrameChunk:
    """A stop, with what it leads to sooner, later or never, and some frames that are missing."""
    moment = st.sampled_from([60, 100, 140, 180, 240, 300, 2000])
    lost = draw(st.sets(st.integers(0, 77), max_size=6))
    rows = stop(*(draw(moment) for _ in range(5)))
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


def starts() -> list[tuple[int, str, int, bytes]]:
    """A node that restarts after 300 ms of silence, and of which one message is late then."""
    rows = [stops.steer(t, t // 20) for t in range(0, 400, 20)] + [stops.slow(201), stops.boot(690)]
    return [*rows, *(stops.steer(t, t // 20, starts=2) for t in range(700, 1100, 20)), stops.slow(1050)]


def last(**changes: object) -> Callable[[BitCourse], None]:
    """Forget something of the newest sample of a yes or no."""

    def forget(course: BitCourse) -> None:
        kept = {name: np.full_like(getattr(course._last, name), value) for name, value in changes.items()}
        course._last = replace(course._last, **kept)

    return forget


def attribute(name: str, value: object) -> Callable[[object], None]:
    return lambda owner: setattr(owner, name, value)


NO_BOOT = [row for row in starts()[:-1] if row[2] != 0x500]
FORGOTTEN = {
    "that it tells anything": (BitCourse, "take", last(told=False), stop(100, 120, 140, 140)),
    "what it says": (BitCourse, "take", last(on=False), stop(100, 120, 2000)),
    "since when": (BitCourse, "take", last(since_ns=NEVER_NS), stop(100)),
    "that it began": (BitCourse, "take", last(sure=False), stop(100, 120, 140, 140)),
    "that it was a yes": (BitCourse, "take", last(on_ns=NEVER_NS), stop(100, 180, 180, 200, 140)),
    "that it may have been": (BitCourse, "take", last(maybe_ns=NEVER_NS), stop(60, 300, 300, 300, 160)),
    "the request": (
        StopChainCheck,
        "fold",
        lambda one: setattr(one._chain, "_carried_ns", 0),
        stop(100, 160),
    ),
    "the last frame": (CutGroup, "begin", attribute("_last_ns", NEVER_NS), stop(100, 120, 140, 160)),
    "that one was late": (CutGroup, "begin", attribute("_late_ns", NEVER_NS), stop(100, 120, 140, 340)),
    "what waits": (Onsets, "begin", lambda onsets: onsets._waiting.clear(), stop(opened=240)),
    "an event": (
        BriefOpenings,
        "take",
        attribute("_open", None),
        sorted([*stop(opened=240), stops.event(225)]),
    ),
    "the count": (StateCourse, "take", attribute("last", None), starts()),
    "the first since the boot frame": (node_restarts._Boot, "take", attribute("_first_ns", None), starts()),
    "the last before it": (node_restarts._Boot, "take", attribute("_last_ns", START_NS), starts()),
    "the last of the node": (late_starts._Node, "fold", attribute("_last_ns", None), NO_BOOT),
    "the start": (late_starts._Node, "fold", attribute("start", None), starts()),
}


@pytest.mark.parametrize("what", FORGOTTEN)
def test_all_that_is_carried_is_needed(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, name, forget, rows = FORGOTTEN[what]
    whole = frames(rows)
    pieces = whole.split(range(1, len(whole)))
    expected = said([whole])
    assert said(pieces) == expected
    original = getattr(owner, name)

    def forgetting(one: object, *arguments: object) -> object:
        forget(one)
        return original(one, *arguments)

    monkeypatch.setattr(owner, name, forgetting)
    assert said(pieces) != expected, f"{what} could be forgotten between chunks unnoticed"
