"""However frames are cut, what their times tell is the same; every carry is needed; a twin of losses."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.checks.arrivals.fetches import Fetches
from canmap.checks.arrivals.gap_evidence import GapEvidence
from canmap.checks.arrivals.timed_loss import TimedLoss
from canmap.checks.arrivals.two_senders import TwoSenders
from canmap.timing.recent import KEPT, RecentFrames
from tests import kits
from tests.cutting import moment
from tests.phase_twin import lost
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

TICK, TOCK, TACK = 0x100, 0x200, 0x201
DBC = "".join(
    f'BO_ {can_id} {name}: 8 Node\n SG_ Counter : 0|8@1+ (1,0) [0|0] "" Other\n'
    for can_id, name in ((TICK, "Tick"), (TOCK, "Tock"), (TACK, "Tack"))
)
TEXT = """\
messages:
  Tick: {period: 10 ms, stale_after: 90 ms}
  Tock: {period: 10 ms, counter: {signal: Counter, wrap: 14}}
  Tack: {period: 20 ms, active_when: {Tock.Counter: [1, 15]}}
"""


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> Spec:
    return kits.spec_of(tmp_path_factory.mktemp("spec"), DBC, TEXT)


def stream(seed: int, jitter_ms: float, batch_ms: float = 0, seconds: int = 6) -> FrameChunk:
    """Three messages with losses, bursts, silences and second senders; Tack is not always awaited."""
    chance = np.random.default_rng(seed)
    rows = []
    for can_id, period_ms in ((TICK, 10.0), (TOCK, 10.0), (TACK, 20.0)):
        count = int(1000 * seconds / period_ms)
        number = np.arange(count)
        t_ms = 0.9 + period_ms * number + chance.uniform(0, jitter_ms, count)
        for burst in chance.integers(60, count - 60, 2):
            t_ms[burst : burst + 6] = t_ms[burst + 5] + 0.2 * np.arange(6)
        kept = chance.random(count) > chance.choice([0.0, 0.004, 0.1])
        silence = int(chance.integers(60, count - 60))
        kept[silence : silence + int(chance.choice([0, 3, 20]))] = False
        t_ms, number = t_ms[kept], number[kept]
        second = slice(*sorted(chance.integers(0, count, 2).tolist()))
        other_ms = period_ms * np.arange(count)[second] + period_ms * chance.choice([0.2, 0.3])
        rows += [(t, can_id, int(n % 15)) for t, n in zip(t_ms, number, strict=True)]
        if chance.random() < 0.7:
            rows += [(t, can_id, int((n + 4) % 15)) for n, t in enumerate(other_ms)]
    if batch_ms:
        rows = [(np.ceil(t / batch_ms) * batch_ms, can_id, number) for t, can_id, number in rows]
    rows.sort(key=lambda row: row[0])
    return frames(kits.row(t, can_id, bytes([number, *bytes(7)])) for t, can_id, number in rows)


def told(pieces: list[FrameChunk], spec: Spec) -> tuple[object, ...]:
    result, events = inspected(pieces, spec)
    return json.dumps(result.to_json()), sorted(map(moment, events))


@settings(max_examples=8)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 0.3, 4.0]), st.sampled_from([0, 4, 10]), st.data())
def test_any_cutting_gives_the_same(
    spec: Spec, seed: int, jitter_ms: float, batch_ms: float, data: st.DataObject
) -> None:
    whole = stream(seed, jitter_ms, batch_ms)
    places = data.draw(st.lists(st.integers(0, len(whole)), max_size=30).map(sorted))
    assert told(whole.split(places), spec) == told([whole], spec)


def test_a_cut_before_every_frame_gives_the_same(spec: Spec) -> None:
    whole = stream(1, 0.3, seconds=3)
    found = told([whole], spec)
    kinds = {event[2] for event in found[1]}  # type: ignore[attr-defined]
    assert {"loss", "burst", "two_senders", "stale"} <= kinds
    assert told(whole.split(range(len(whole) + 1)), spec) == found


def halves(alone: int, alike: bool) -> FrameChunk:
    """Frames every 10 ms, those that are not alone with another 5 ms behind, which says the same or not."""
    rows = [(10.0 * n, n % 200) for n in range(130)]
    rows += [(t + 5, said if alike else said + 40) for t, said in rows[alone:]]
    return frames(kits.row(t, TICK, bytes([said, *bytes(7)])) for t, said in sorted(rows))


OF_HALVES = {"even rows": (60, False), "payload before even rows": (60, True), "short gaps": (0, False)}


def forget_frames(check: TimedLoss) -> None:
    check._recent.clear()
    check._waits.clear()


FORGOTTEN = {
    "recent frames": (TimedLoss, forget_frames),
    "what is to be judged": (TimedLoss, lambda check: check._waits.clear()),
    "steps of a phase": (TimedLoss, lambda check: check._runs.clear()),
    "timers and counters": (TimedLoss, lambda check: setattr(check, "evidence", GapEvidence())),
    "ordinals": (TimedLoss, lambda check: [setattr(one, "ordinal", 0) for one in check._recent.values()]),
    "partings": (TimedLoss, lambda check: [one.parts.fill(0) for one in check._recent.values()]),
    "sequences": (TwoSenders, lambda check: check._open.clear()),
    "uneven rows": (TwoSenders, lambda check: check._uneven.open.clear()),
    "even rows": (TwoSenders, lambda check: check._even.open.clear()),
    "payload before even rows": (
        TwoSenders,
        lambda check: [setattr(one, "payload", b"") for one in check._even.open.values()],
    ),
    "short gaps": (TwoSenders, lambda check: check._quick.fill(0)),
    "fetches": (Fetches, lambda fetches: fetches._together.fill(0)),
    "samples of fetches": (Fetches, lambda fetches: fetches._clock.clear() or fetches._channel.clear()),
}


@pytest.mark.parametrize("what", FORGOTTEN)
def test_every_carry_is_needed(what: str, spec: Spec, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, forget = FORGOTTEN[what]
    whole = stream(3 if owner is Fetches else 1, 0.3)
    if what == "steps of a phase":
        lossy = np.random.default_rng(1).random(600) > 0.1
        whole = frames(kits.row(10.0 * number) for number in np.arange(600)[lossy].tolist())
    elif what in OF_HALVES:
        whole = halves(*OF_HALVES[what])
    places = range(7, len(whole), 37) if "payload" not in what else range(len(whole))
    expected = told([whole], spec)
    assert told(whole.split(places), spec) == expected
    fold = owner.fold

    def forgetting(self, *args):
        forget(self)
        return fold(self, *args)

    monkeypatch.setattr(owner, "fold", forgetting)
    try:
        assert told(whole.split(places), spec) != expected, f"the {what} could be forgotten unnoticed"
    except ValueError:
        assert what.startswith("samples")  # nothing to put together


def test_frames_that_are_kept_are_those_that_are_needed() -> None:
    recent = RecentFrames()
    for start in range(0, 3000, 70):
        recent.pass_calmly(np.arange(start, start + 70))
        assert recent.ordinal + len(recent.clock) == start + 70
        assert recent.clock.tolist() == list(range(max(start + 70 - KEPT, 0), start + 70))


@pytest.mark.parametrize("seed", range(12))
def test_what_is_lost_is_what_a_plain_walk_tells(seed: int, tmp_path: Path) -> None:
    chance = np.random.default_rng(seed)
    jitter_ms = float(chance.choice([0, 0.5, 4, 9]))
    t_ms = 10.02 * np.arange(900) + chance.uniform(0, jitter_ms, 900)
    share = chance.choice([0.002, 0.01, 0.1])
    t_ms = np.sort(t_ms[chance.random(900) > share])
    times = [START_NS + round(t * MS) for t in t_ms.tolist()]
    expected = lost(times, 10 * MS)
    text = "messages: {Tick: {period: 10 ms, stale_after: 1 s}}\n"
    spec = kits.spec_of(tmp_path, DBC, text)
    result, _ = inspected([frames((t, "can0", TICK, bytes(8)) for t in times)], spec)
    found = kits.of_kind(result, "loss")
    assert [(one.start_ns, one.count) for one in found] == [(times[at - 1], n) for at, n in expected]
