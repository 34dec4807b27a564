"""However frames are cut into chunks, what their counters tell is the same; every carry is needed."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.protection.counter_values import CounterCheck
from canmap.signals.counted import Counters, Tails
from canmap.signals.sequences import Tail
from tests import kits
from tests.cutting import moment, of_records
from tests.streams import MS, START_NS, cuts, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.signals.decoded import Decoded

MESSAGES = {0x100: "Tick", 0x200: "Tock", 0x201: "Tack", 0x300: "Pages", 0x400: "Changes", 0x500: "Relayed"}
DBC = "".join(
    f'BO_ {can_id} {name}: 8 Node\n SG_ Page M : 0|8@1+ (1,0) [0|0] "" Other\n'
    ' SG_ Value m0 : 8|8@1+ (1,0) [0|0] "" Other\n SG_ Other m1 : 8|8@1+ (1,0) [0|0] "" Other\n'
    ' SG_ Counter : 48|4@1+ (1,0) [0|0] "" Other\n SG_ Check : 56|8@1+ (1,0) [0|0] "" Other\n'
    for can_id, name in MESSAGES.items()
)
TEXT = """\
messages:
  Tick: {counter: {signal: Counter, wrap: 14}, checksum: {signal: Check, profile: sum8, order: [payload]}}
  Tock: {counter: {signal: Counter, per: sender}}
  Tack: {counter: {signal: Counter, per: sender}}
  Pages: {counter: {signal: Counter, per: multiplexer}}
  Changes: {counter: {signal: Counter, on_change: yes}}
  Relayed: {relay_of: {message: Tick, decimation: 4}, counter: {signal: Counter, wrap: 14}}
records:
  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Page, unit: V}}
"""
STEPS = (*[1] * 8, 0, 0, 2, 4, 9, -1)
GAPS_MS = (*[10] * 12, 0, 45, 150, 700, -60)


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> Spec:
    periods = dict.fromkeys([0x100, 0x200, 0x201], 10)
    return kits.spec_of(tmp_path_factory.mktemp("spec"), DBC, TEXT, periods_ms=periods)


def stream(kinds: list[int], seed: int) -> FrameChunk:
    """Frames of the messages `kinds`; counters in turn and not, at any time, some short or damaged."""
    chance = np.random.default_rng(seed)
    counts: dict[int, int] = {}
    rows, t_ms = [], 0
    for can_id in kinds:
        t_ms += int(chance.choice(GAPS_MS))
        page = int(chance.integers(2))
        whose = {0x201: 0x200, 0x300: 0x300 + page}.get(can_id, can_id)
        step = int(chance.choice(STEPS)) * (4 if can_id == 0x500 else 1)
        counts[whose] = 0 if chance.random() < 0.03 else counts.get(whose, 0) + step
        counter = counts[whose] % (15 if can_id in {0x100, 0x500} else 16)
        data = bytearray([page, step % 4 if can_id == 0x400 else 0, 0, 0, 0, 0, counter, 0])
        data[7] = sum(data) % 256 ^ int(chance.random() < 0.1) if can_id == 0x100 else 0
        rows.append((START_NS + t_ms * MS, "can0", can_id, bytes(data[: 5 if chance.random() < 0.05 else 8])))
    return frames(rows)


def told(pieces: list[FrameChunk], spec: Spec) -> tuple[object, ...]:
    result, events = inspected(pieces, spec, ["battery"])
    return json.dumps(result.to_json()), sorted(map(moment, events)), of_records(result.records)


@given(st.lists(st.sampled_from([*MESSAGES]), max_size=80), st.integers(0, 2**32 - 1), st.data())
def test_any_cutting_gives_the_same(spec: Spec, kinds: list[int], seed: int, data: st.DataObject) -> None:
    whole = stream(kinds, seed)
    assert told(whole.split(data.draw(cuts(whole))), spec) == told([whole], spec)


@pytest.mark.parametrize("can_id", MESSAGES)
def test_a_cut_before_every_frame_gives_the_same(can_id: int, spec: Spec) -> None:
    partner = 0x201 if can_id == 0x200 else can_id
    whole = stream([can_id, partner] * 80, 7)
    found = told([whole], spec)
    assert {"loss", "counter"} <= {event[2] for event in found[1]}  # type: ignore[attr-defined]
    assert told(whole.split(range(len(whole) + 1)), spec) == found


def others_without(name: str, value: object) -> Callable[[Tails], Tails]:
    def forget(tails: Tails) -> Tails:
        return replace(
            tails, others={key: replace(one, **{name: value}) for key, one in tails.others.items()}
        )

    return forget


NONE = np.zeros(0, np.int64)
FORGOTTEN: dict[str, tuple[int, Callable[[Tails], Tails]]] = {
    "place": (0x100, lambda tails: replace(tails, place=np.full_like(tails.place, -1))),
    "stamp": (0x100, lambda tails: replace(tails, t_ns=np.zeros_like(tails.t_ns))),
    "frames that were not read": (0x100, lambda tails: replace(tails, since=np.zeros_like(tails.since))),
    "all of a sender": (0x200, lambda tails: replace(tails, others={})),
    "all of the pages": (0x300, lambda tails: replace(tails, others={})),
    "payload": (0x400, others_without("payload", b"")),
    "stamp of a sender": (0x200, others_without("t_ns", 0)),
    "not read of a sender": (0x200, others_without("since", 0)),
    "newest place of a sender": (0x200, others_without("newest", 0)),
    "gaps of a sender": (0x200, lambda tails: replace(tails, others={
        key: replace(one, ahead=one.ahead[-1:], unread=one.unread[-1:]) for key, one in tails.others.items()
    })),
    "not read in gaps of a sender": (0x200, lambda tails: replace(tails, others={
        key: replace(one, unread=one.unread * 0) for key, one in tails.others.items()
    })),
    "places of a sender": (0x200, lambda tails: replace(tails, others={
        key: replace(one, place=one.place[-1:], pause=one.pause[-1:]) for key, one in tails.others.items()
    })),
    "silences of a sender": (0x200, lambda tails: replace(tails, others={
        key: replace(one, pause=one.pause * 0) for key, one in tails.others.items()
    })),
}  # fmt: skip


@pytest.mark.parametrize("what", FORGOTTEN)
def test_every_carry_is_needed(what: str, spec: Spec, monkeypatch: pytest.MonkeyPatch) -> None:
    can_id, forget = FORGOTTEN[what]
    whole = stream([can_id, 0x201 if can_id == 0x200 else can_id] * 100, 11)
    pieces = whole.split(range(len(whole)))
    assert told(pieces, spec) == told([whole], spec)
    after = Counters.after

    def forgetting(self: Counters, decoded: Decoded, tails: Tails) -> Tails:
        return forget(after(self, decoded, tails))

    monkeypatch.setattr(Counters, "after", forgetting)
    assert told(pieces, spec) != told([whole], spec), f"the {what} could be forgotten unnoticed"


def test_every_field_of_what_came_before_is_forgotten_above() -> None:
    assert set(Tail.__dataclass_fields__) == {
        "t_ns", "since", "newest", "place", "pause", "ahead", "unread", "payload"
    }  # fmt: skip
    assert set(Tails.__dataclass_fields__) == {"place", "t_ns", "since", "others"}


def test_ordinals_of_findings_are_needed(spec: Spec, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = stream([0x100] * 150, 13)
    pieces = whole.split(range(len(whole)))
    fold = CounterCheck.fold

    def forgetting(self: CounterCheck, view, part):
        self._episodes._judged.clear()
        return fold(self, view, part)

    monkeypatch.setattr(CounterCheck, "fold", forgetting)
    assert told(pieces, spec) != told([whole], spec)
