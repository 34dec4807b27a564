"""The cut law: any cutting of the same frames into chunks gives the same records, findings and JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.duplicates import DuplicateCheck
from canmap.checks.odd_codes import CodeCheck
from canmap.checks.out_of_range import LimitCheck
from canmap.checks.rate import Rate
from canmap.frames.chunks import BadLine, FrameChunk
from canmap.frames.session import SessionClock
from canmap.frames.unread import as_unread, cut_short
from canmap.records.motion import MotionBuilder
from canmap.timing.arrivals import Timeline
from canmap.timing.expected import ALWAYS_NS, Activity
from canmap.timing.newest import Holder
from tests.streams import CART, MS, START_NS, TRUCK, VEHICLE, cuts, frames, inspected, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canmap.findings.episodes import Event
    from canmap.records.columns import Records


def told(
    chunks: list[FrameChunk], path: Path = CART
) -> tuple[str, dict[str, list[bytes]], list[tuple[str, ...]]]:
    """JSON, every column of every record to the bit, and what was told on the way."""
    spec = spec_of(path)
    result, events = inspected(chunks, spec, [rule.name for rule in spec.records])
    return json.dumps(result.to_json()), of_records(result.records), sorted(map(moment, events))


def of_records(kept: Mapping[str, Records]) -> dict[str, list[bytes]]:
    """Every column of every record, to the bit."""
    return {
        name: [
            records.clock_ns.tobytes(),
            *(
                part.tobytes()
                for column in records.columns.values()
                for part in (
                    np.where(column.valid, column.values, 0), column.valid, column.age_ns, column.flagged
                )
            ),
        ]
        for name, records in kept.items()
    }  # fmt: skip


def moment(event: Event) -> tuple[str, ...]:
    """What is told, of what, and from when on it was known."""
    finding = event.finding
    known = "at the end" if event.known_ns is None else f"{event.known_ns:020}"
    return known, type(event).__name__, finding.kind, str(finding.place), str(finding.start_ns), finding.text


@given(st.data())
def test_any_cutting_gives_the_same(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE, TRUCK]))
    whole = data.draw(streams(path))
    assert told(whole.split(data.draw(cuts(whole))), path) == told([whole], path)


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


def eventful() -> FrameChunk:
    """A drive in which every carry of the engine matters: a drop, wrong rate and value, a step back."""
    rows = []
    for i in range(2000):
        t_ns = START_NS + 123 * MS + i * 10 * MS - (3000 * MS if 1500 <= i < 1600 else 0)
        angle = (20000 if 700 <= i < 760 or 900 <= i < 910 else i).to_bytes(2, "little") + bytes.fromhex(
            "00B0000000FF"
        )
        if not 400 <= i < 450:
            rows.append((t_ns, "can0", 0x101, angle[: 3 if 300 <= i < 310 else 8]))
        if 800 <= i < 830:
            rows.append((t_ns + 50, "can0", 0x101, angle))
        if i % 2 == 0 and (i < 1000 or i % 4 == 0):
            gear = 5 if 1000 <= i < 1200 and i % 16 == 0 else 3
            rows.append((t_ns + 100, "can0", 0x112, bytes([1, 0x90, 1, 0, 0x18 | gear, 3, 0, 0])))
    return frames(rows)


def modal() -> FrameChunk:
    """The vehicle with a message that is awaited in one mode only: silent in it, and when it ends."""
    rows = []
    for i in range(600):
        t_ns = START_NS + i * 10 * MS
        if i % 10 == 0:
            mode = 2 if 100 <= i < 200 or 300 <= i < 450 else 1
            rows.append((t_ns, "can0", 0x130, bytes([mode, 0, 0, 0])))
        if i % 15 == 4:
            rows.append((t_ns + 50, "can0", 0x111, bytes([0, 0, 0, 0, 3, 0, 0, 0])))
        if (i < 150 or 320 <= i < 400) and i % 2 == 0:
            rows.append((t_ns + 100, "can0", 0x102, bytes(8)))
        if 20 < i < 300 and i % 7 == 0:
            rows.append((t_ns + 200, "can0", 0x140, bytes([0, 0, 2 if i % 2 else 0, 0])))
    return frames(rows, ("can0", "can1"))


def never(*_: object, **__: object) -> None:
    return None


CARRIES = {
    "newest sample": (Holder, "carry", never),
    "last arrival": (Timeline, "fold", None),
    "session clock": (SessionClock, "advance", None),
    "rate window": (Rate, "_close_windows", None),
    "sample ordinals": (LimitCheck, "fold", None),
    "pose": (MotionBuilder, "derive", None),
    "what is awaited": (Activity, "fold", None),
    "awaited since": (Activity, "fold", None),
    "conditions": (Activity, "fold", None),
    "code ordinals": (CodeCheck, "fold", None),
    "last frame": (DuplicateCheck, "repeats_of_last", None),
}
MODAL = {"what is awaited", "awaited since", "conditions"}


def forgetting(original, reset):
    def method(self, *args):
        reset(self)
        return original(self, *args)

    return method


def forget_steps(clock: SessionClock) -> None:
    clock._offset_ns = 0


RESETS = {
    "last arrival": lambda timeline: timeline._real.fill(False),
    "session clock": forget_steps,
    "rate window": lambda rate: rate._anchor_ns.fill(0),
    "sample ordinals": lambda check: check._episodes._judged.clear(),
    "pose": lambda motion: motion._pose.fill(0.0),
    "what is awaited": lambda activity: activity.awaited.fill(False),
    "awaited since": lambda activity: activity.since_ns.fill(ALWAYS_NS),
    "code ordinals": lambda check: check._episodes._judged.clear(),
    "last frame": lambda check: check._last.clear(),
    "conditions": lambda activity: [holds.fill(False) for holds in activity._holds.values()],
}


@pytest.mark.parametrize("carry", CARRIES)
def test_every_carry_is_needed(carry: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, path = (modal(), VEHICLE) if carry in MODAL else (eventful(), CART)
    points = (
        range(3, len(whole), 3) if carry in MODAL else [401, 705, 750, 1090, 1164, 1600, 1801, 2140, 2300]
    )
    pieces = whole.split(points)
    assert told(pieces, path) == told([whole], path)
    owner, name, method = CARRIES[carry]
    monkeypatch.setattr(owner, name, method or forgetting(getattr(owner, name), RESETS[carry]))
    assert told(pieces, path) != told([whole], path), (
        f"the {carry} could be forgotten between chunks unnoticed"
    )
