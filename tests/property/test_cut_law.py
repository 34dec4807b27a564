"""The cut law: any cutting of the same frames into chunks gives the same records, findings and JSON."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.odd_codes import CodeCheck
from canmap.checks.offgaps import NONE_NS, OffGaps
from canmap.checks.out_of_range import LimitCheck
from canmap.checks.rate import Rate
from canmap.engine.engine import Engine
from canmap.frames.chunks import BadLine, FrameChunk
from canmap.frames.session import STEPS_KEPT, SessionClock
from canmap.frames.unread import as_unread, cut_short
from canmap.records.motion import MotionBuilder
from canmap.signals.repeats import LastFrames
from canmap.summaries.changes import StateChanges
from canmap.summaries.fields import RecordSummary
from canmap.timing.arrivals import Timeline
from canmap.timing.expected import ALWAYS_NS, Activity
from canmap.timing.newest import NEVER_NS, Newest
from tests import kits
from tests.streams import CART, MS, START_NS, TRUCK, VEHICLE, cuts, frames, inspected, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
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
    span = str(finding.start_ns), str(finding.end_ns), str(finding.count)
    return known, type(event).__name__, finding.kind, str(finding.place), *span, finding.text


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
    "newest sample": (Newest, "carry", never),
    "last arrival": (Timeline, "fold", None),
    "session clock": (SessionClock, "advance", None),
    "rate window": (Rate, "_close_windows", None),
    "sample ordinals": (LimitCheck, "fold", None),
    "pose": (MotionBuilder, "derive", None),
    "segment of the pose": (MotionBuilder, "derive", None),
    "pose that goes on": (MotionBuilder, "derive", None),
    "speed before": (MotionBuilder, "derive", None),
    "time of the pose": (MotionBuilder, "derive", None),
    "what is awaited": (Activity, "fold", None),
    "awaited since": (Activity, "fold", None),
    "code ordinals": (CodeCheck, "fold", None),
    "value that is alive": (RecordSummary, "_take", None),
    "last frame": (LastFrames, "repeats_of_last", None),
    "last state": (StateChanges, "fold", None),
}
MODAL = {"what is awaited", "awaited since", "last state"}


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
    "segment of the pose": lambda motion: setattr(motion, "_segment", 0),
    "pose that goes on": lambda motion: setattr(motion, "_valid", False),
    "speed before": lambda motion: setattr(motion, "_speed", 0.0),
    "time of the pose": lambda motion: setattr(motion, "_clock_ns", None),
    "value that is alive": lambda record: [
        setattr(field.alive, "value_ns", None) for field in record.fields.values()
    ],
    "what is awaited": lambda activity: activity.awaited.fill(False),
    "awaited since": lambda activity: activity.since_ns.fill(ALWAYS_NS),
    "code ordinals": lambda check: check._episodes._judged.clear(),
    "last frame": lambda frames: frames._last.clear(),
    "last state": lambda changes: [setattr(one, "last", None) for one in changes._fields],
}


@pytest.mark.parametrize("carry", CARRIES)
def test_every_carry_is_needed(carry: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, path = (modal(), VEHICLE) if carry in MODAL else (eventful(), CART)
    points = range(1, len(whole)) if carry in MODAL else [401, 705, 750, 1090, 1164, 1600, 1801, 2140, 2300]
    pieces = whole.split(points)
    assert told(pieces, path) == told([whole], path)
    owner, name, method = CARRIES[carry]
    monkeypatch.setattr(owner, name, method or forgetting(getattr(owner, name), RESETS[carry]))
    assert told(pieces, path) != told([whole], path), (
        f"the {carry} could be forgotten between chunks unnoticed"
    )


def off_rates() -> FrameChunk:
    """A message every 10 ms at other rates too: within windows, over their ends, with good gaps between."""
    times_ms, now_ms = [], 5
    for gaps_ms, until_ms in (
        *(((10,), 3215), ((20,), 6115), ((10,), 9905), ((20,), 12700), ((10,), 15225), ((30, 10), 18300)),
        *(((10,), 20000), ((5,), 21300), ((10,), 21900), ((20,), 23100), ((10,), 26000)),
    ):
        while now_ms < until_ms:
            times_ms.append(now_ms)
            now_ms += gaps_ms[len(times_ms) % len(gaps_ms)]
    return frames(kits.row(t) for t in times_ms)


@pytest.mark.parametrize("carry", ["_run_ns", "_first_ns", "_last_ns", "_lead_ns"])
def test_every_carry_of_the_gaps_that_are_off_is_needed(
    carry: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kits.spec_of(tmp_path, kits.TICK, periods_ms={256: 10})
    whole, path = off_rates(), tmp_path / "spec.yaml"
    pieces = whole.split(range(1, len(whole)))
    assert told(pieces, path) == told([whole], path)
    assert told(whole.split(range(0, len(whole), 43)), path) == told([whole], path)
    monkeypatch.setattr(
        OffGaps, "fold", forgetting(OffGaps.fold, lambda gaps: getattr(gaps, carry).fill(NONE_NS))
    )
    assert told(pieces, path) != told([whole], path), f"{carry} could be forgotten between chunks unnoticed"


@pytest.mark.parametrize("order", ["backwards", "twice", "on threads"])
def test_what_is_prepared_depends_on_its_chunk_only(order: str) -> None:
    whole = eventful()
    pieces = whole.split([*range(50, len(whole), 97)])
    spec = spec_of(CART)
    in_turn, prepared_so = Engine(spec), Engine(spec)
    if order == "on threads":
        with ThreadPoolExecutor(4) as pool:
            prepared = list(pool.map(prepared_so.prepare, pieces))
    else:
        prepared = [prepared_so.prepare(piece) for piece in reversed(pieces)][::-1]
        if order == "twice":
            prepared = [prepared_so.prepare(piece) for piece in pieces]
    events = [event for one in prepared for event in prepared_so.fold(one).events]
    expected = [event for piece in pieces for event in in_turn.fold(in_turn.prepare(piece)).events]
    assert events == expected
    assert prepared_so.finish().events == in_turn.finish().events
    assert prepared_so.findings() == in_turn.findings() != []


HELD = """\
BO_ 256 Stamp: 8 Node
 SG_ Speed : 0|16@1+ (0.1,0) [0|0] "km/h" Other
BO_ 512 Pedals: 8 Node
 SG_ Throttle : 0|8@1+ (1,0) [0|0] "%" Other
 SG_ Ready : 8|1@1+ (1,0) [0|0] "" Other
BO_ 768 Tick: 8 Node
 SG_ Value : 0|8@1+ (1,0) [0|0] "" Other
"""
OF_RECORDS = """\
records:
  drive:
    type: Drive
    stamp: Stamp
    speed: {signal: Stamp.Speed, valid_when: {Pedals.Ready: yes}}
    throttle: {signal: Pedals.Throttle, range: [0 %, 50 %], out_of_range: clamp, max_age: 30 ms}
"""
OF_MESSAGES = """\
messages:
  Tick: {period: 10 ms, stale_after: 20 ms, active_when: {Pedals.Ready: yes}}
"""


def pedalled() -> FrameChunk:
    """Pedals every 40 ms that the stamps between them hold: good, beyond the range, too short, and away."""
    rows = []
    for i in range(160):
        percent = 80 if 40 <= i < 80 else 20
        data = bytes([percent, 0 if i % 32 < 8 else 1, *bytes(6)])
        if i % 4 == 0 and not 100 <= i < 130:
            rows.append(kits.row(10 * i, 0x200, data[: 0 if 80 <= i < 90 else 8]))
        rows.append(kits.row(10 * i + 1, 0x100, bytes([36, *bytes(7)])))
        if i % 3 == 0:
            rows.append(kits.row(10 * i + 2, 0x300))
    return frames(rows)


FORGOTTEN = {
    "value": lambda newest: newest.raw.fill(0),
    "clock": lambda newest: newest.clock_ns.fill(NEVER_NS),
    "that it came": lambda newest: newest.present.fill(False),
    "that its payload was too short": lambda newest: newest.present.fill(True),
    # The value is cut down to the limit anyway, so that the flag alone can tell the difference.
    "that it was out of range": lambda newest: np.minimum(newest.raw, 50, out=newest.raw),
}


@pytest.mark.parametrize(
    ("text", "what"),
    [
        *((OF_RECORDS, what) for what in FORGOTTEN),
        (OF_MESSAGES, "value"),  # these hold for ever, so no clock matters
        (OF_MESSAGES, "that it came"),
        (OF_MESSAGES.replace("yes", "no"), "that its payload was too short"),  # which is held as 0
    ],
)
def test_everything_of_a_newest_sample_is_carried(
    text: str, what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kits.spec_of(tmp_path, HELD, text, periods_ms={0x200: 40})
    whole, path = pedalled(), tmp_path / "spec.yaml"
    pieces = whole.split(range(1, len(whole)))
    assert told(pieces, path) == told([whole], path)
    monkeypatch.setattr(Newest, "begin", forgetting(Newest.begin, FORGOTTEN[what]))
    assert told(pieces, path) != told([whole], path), f"the {what} of a sample could be forgotten unnoticed"
