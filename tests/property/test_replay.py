"""Replay at any pace gives what an inspection gives: the same records, findings and summary."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.api.inspect import inspect, inspect_intake
from canmap.engine.intake import Intake
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.timing.pace import TICK_S, Pace
from tests import kits
from tests.streams import CART, ROOT, VEHICLE, cuts, frames, inspected, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk

DEMO = ROOT / "captures" / "steering_drop.log"
MOST_TICKS = 100


class Wall:
    """A clock that sleeping moves, and work, of which there is now more and now less."""

    def __init__(self, work_s: list[float]) -> None:
        self._now_s = 50.0
        self._work_s = work_s
        self._asked = 0

    def now(self) -> float:
        self._asked += 1
        self._now_s += self._work_s[self._asked % len(self._work_s)]
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        self._now_s += duration_s


def paced(pieces: list[FrameChunk], pace: Pace) -> Iterator[FrameChunk]:
    for piece in pieces:
        yield from pace.chunks(piece)


@given(st.data())
def test_any_pace_gives_the_same(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE]))
    whole = data.draw(streams(path))
    span_s = float(whole.t_ns.max() - whole.t_ns[0]) / 1e9 if len(whole) else 0.0
    slowest = max(span_s / TICK_S / MOST_TICKS, 0.1)  # so that an hour of silence does not take an hour here
    factor = slowest * data.draw(st.sampled_from([1.0, 2.7, 30.0, 1e4]))
    work_s = data.draw(st.lists(st.sampled_from([0.0, 1e-5, 0.003, 0.2]), min_size=1, max_size=5))
    wall = Wall([*work_s, 1e-6])
    names = [rule.name for rule in spec_of(path).records]
    ahead_s = data.draw(st.sampled_from([0.0, 0.06]))
    flat, _ = inspected([whole], spec_of(path), names)
    replayed, _ = inspected(
        paced(whole.split(data.draw(cuts(whole))), Pace(factor, wall.now, wall.sleep, ahead_s=ahead_s)),
        spec_of(path),
        names,
    )
    assert json.dumps(replayed.to_json()) == json.dumps(flat.to_json())
    for name, records in flat.records.items():
        assert list(replayed.records[name]) == list(records)


def test_a_step_back_shortly_before_the_end() -> None:
    # The newest stamp is the first one to the end, and the clock still goes on by 0.3 ms.
    payloads = ((0, "0" * 16), (-51_000, "0" * 16), (-50_700, "63E02294B8D88660"))
    whole = frames(kits.row(t_us / 1000, 0x101, bytes.fromhex(data)) for t_us, data in payloads)
    wall = Wall([0.0, 1e-6])
    flat, _ = inspected([whole])
    replayed, _ = inspected(paced([whole], Pace(0.1, wall.now, wall.sleep)))
    assert json.dumps(replayed.to_json()) == json.dumps(flat.to_json())


@pytest.mark.parametrize("channel", ["can0", "can7"])
def test_a_real_replay_of_a_real_capture(channel: str) -> None:
    spec = spec_of()
    if channel != "can0":
        from canmap.mapping.loader import load_spec

        spec = load_spec(str(CART), channels={"drive": channel})
    span = (4.8, 5.6)  # the steering message falls silent and comes back
    flat = inspect_intake(Intake(open_captures([str(DEMO)]), Window(*span)), spec)
    pace = Pace(4.0)
    replayed = inspect_intake(Intake(open_captures([str(DEMO)]), Window(*span)), spec, pace=pace)
    assert json.dumps(replayed.to_json()) == json.dumps(flat.to_json())
    assert replayed.verdict == "fail"
    assert pace.worst_late_s < 0.5


def written(path: Path, channel: str, times_ms: Iterable[int]) -> str:
    path.write_text("".join(f"(1000000000.{t:06d}) {channel} 100#00\n" for t in times_ms))
    return str(path)


def test_several_captures_give_the_same(tmp_path: Path) -> None:
    # One recorder from 0 to 0.5 s, one that joins at 0.2 s on another channel and has a sender that goes away
    # for 0.15 s, and one that comes back to the first channel at 0.8 s. Stamps are in microseconds.
    head = "vehicle: Test cart\nbuses:\n"
    for name, channel in (("front", "can0"), ("rear", "can1")):
        head += f"  {name}: {{description: kit.dbc, channel: {channel}}}\n"
    spec = kits.spec_of(tmp_path, kits.TICK.replace("8 Node", "1 Node").replace("16@", "8@"), head=head,
                        periods_ms={256: 50}, text="messages:\n  front.Tick: {stale_after: 60 ms}\n"
                        "  rear.Tick: {stale_after: 60 ms}\n")  # fmt: skip
    names = [
        written(tmp_path / "a.log", "can0", range(0, 500_000, 50_000)),
        written(
            tmp_path / "b.log", "can1", [*range(200_000, 500_000, 50_000), *range(600_000, 950_000, 50_000)]
        ),
        written(tmp_path / "c.log", "can0", range(800_000, 990_000, 50_000)),
    ]
    flat = inspect(names, spec)
    assert [(f.kind.value, f.place.bus) for f in flat.findings if f.severity.value == "error"] == [
        ("stale", "rear")
    ]
    for factor in (2.0, 20.0):
        replayed = inspect_intake(Intake(open_captures(names)), spec, pace=Pace(factor))
        assert json.dumps(replayed.to_json()) == json.dumps(flat.to_json())
