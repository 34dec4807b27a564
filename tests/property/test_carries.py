"""Everything that is carried from chunk to chunk is needed: whoever forgets it breaks the cut law."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.checks.arrivals.rate import Rate
from canmap.checks.common.offgaps import NONE_NS, OffGaps
from canmap.checks.protection.counter_values import RepeatedCounter
from canmap.checks.values.odd_codes import CodeCheck
from canmap.checks.values.out_of_range import LimitCheck
from canmap.engine.engine import Engine
from canmap.engine.prepare import Preparer
from canmap.frames.session import SessionClock
from canmap.records.motion import MotionBuilder
from canmap.summaries.changes import StateChanges
from canmap.summaries.fields import RecordSummary
from canmap.timing.arrivals import Timeline
from canmap.timing.expected import ALWAYS_NS, Activity
from canmap.timing.newest import NEVER_NS, Newest
from tests import kits
from tests.cutting import told
from tests.eventful import eventful, modal, within_faults
from tests.streams import CART, VEHICLE, frames, spec_of

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.before import Before
    from canmap.signals.decoded import Decoded


def never(*_: object, **__: object) -> None:
    return None


AFTER = Preparer.after


def without_frames(self: Preparer, decoded: Decoded, before: Before) -> Before:
    return replace(AFTER(self, decoded, before), newest={})


def without_counters(self: Preparer, decoded: Decoded, before: Before) -> Before:
    return replace(AFTER(self, decoded, before), counters=self.start.counters)


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
    "last frame": (Preparer, "after", without_frames),
    "last counter": (Preparer, "after", without_counters),
    "counter ordinals": (RepeatedCounter, "fold", None),
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
    "counter ordinals": lambda check: check._episodes._judged.clear(),
    "last state": lambda changes: [setattr(one, "last", None) for one in changes._fields],
}


@pytest.mark.parametrize("carry", CARRIES)
def test_every_carry_is_needed(carry: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, path = (modal(), VEHICLE) if carry in MODAL else (eventful(), CART)
    points = range(1, len(whole))
    if carry not in MODAL:
        points = sorted([401, 705, 750, 1090, 1164, 1600, 1801, 2140, 2300, *within_faults(whole)])
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
    decoded = [prepared_so.decode(piece) for piece in pieces]
    befores = [prepared_so.start]
    for one in decoded:
        befores.append(prepared_so.after(one, befores[-1]))
    if order == "on threads":
        with ThreadPoolExecutor(4) as pool:
            prepared = list(pool.map(prepared_so.prepare, decoded, befores[:-1]))
    else:
        turns = list(zip(decoded, befores[:-1], strict=True))
        prepared = [prepared_so.prepare(*turn) for turn in reversed(turns)][::-1]
        if order == "twice":
            prepared = [prepared_so.prepare(*turn) for turn in turns]
    events = [event for one in prepared for event in prepared_so.fold(one).events]
    expected = [event for one in in_turn.prepared(pieces) for event in in_turn.fold(one).events]
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
