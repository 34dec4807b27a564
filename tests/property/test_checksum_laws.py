"""However frames are cut into chunks, what is found of their checksums is the same; every carry is needed."""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.protection.checksum_evidence import ChecksumEvidence
from canmap.checks.protection.wrong_checksums import ChecksumCheck
from canmap.payload.protection import Protection
from tests import kits
from tests.cutting import moment
from tests.streams import MS, START_NS, cuts, frames, inspected

if TYPE_CHECKING:
    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

DBC = """\
BO_ 256 Tick: 8 Node
 SG_ Value : 0|16@1+ (1,0) [0|0] "" Other
 SG_ Counter : 48|4@1+ (1,0) [0|0] "" Other
 SG_ Check : 56|8@1+ (1,0) [0|0] "" Other
BO_ 512 Tock: 8 Node
 SG_ Count : 0|16@1+ (1,0) [0|0] "" Other
 SG_ Check : 60|4@1+ (1,0) [0|0] "" Other
"""
TEXT = """\
messages:
  Tick: {counter: {signal: Counter}, checksum: {signal: Check, profile: CRC-8/AUTOSAR, data_id: 7}}
  Tock: {checksum: {signal: Check, polynomial: 0x3}}
"""


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> Spec:
    return kits.spec_of(tmp_path_factory.mktemp("spec"), DBC, TEXT)


@cache
def protections(spec_path: str) -> dict[int, Protection]:
    from canmap.mapping.loader import load_spec

    rules = load_spec(spec_path).messages
    return {rule.message.can_id: Protection(rule) for rule in rules}


def stream(spec: Spec, kinds: list[str], seed: int) -> FrameChunk:
    """Frames that are right, damaged, made with the counter before, of another data id, or short."""
    chance = np.random.default_rng(seed)
    rows = []
    counter = 0
    for number, kind in enumerate(kinds):
        can_id = 0x200 if kind == "other" else 0x100
        found = protections(spec.path)[can_id]
        counter += can_id == 0x100
        data = bytearray(chance.integers(0, 256, 8, np.uint8).tobytes())
        data[6] = counter % 16
        late = bytearray(data)
        late[6] = (counter - 1) % 16
        of = np.frombuffer(bytes(late if kind == "late" else data), np.uint8).reshape(1, -1)
        check = int(found.judge(of, np.array([8], np.uint8)).expected[0])
        check ^= {"constant": 0x5A, "damaged": int(chance.integers(1, 256))}.get(kind, 0)
        data[7] = check if can_id == 0x100 else (check << 4 & 0xF0) | data[7] & 0x0F
        rows.append((START_NS + number * 10 * MS, "can0", can_id, bytes(data[: 4 if kind == "short" else 8])))
    return frames(rows)


def told(pieces: list[FrameChunk], spec: Spec) -> tuple[str, list[tuple[str, ...]]]:
    result, events = inspected(pieces, spec)
    return json.dumps(result.to_json()), sorted(map(moment, events))


KINDS = ("right", "damaged", "late", "constant", "short", "other")


@given(
    st.lists(st.tuples(st.sampled_from(KINDS), st.integers(1, 20)), min_size=1, max_size=4),
    st.integers(0, 999),
    st.data(),
)
def test_any_cutting_gives_the_same(
    spec: Spec, runs: list[tuple[str, int]], seed: int, data: st.DataObject
) -> None:
    whole = stream(spec, [kind for kind, count in runs for _ in range(count)], seed)
    assert told(whole.split(data.draw(cuts(whole))), spec) == told([whole], spec)


CARRIES = {
    "payload before": (ChecksumCheck, lambda check: check._last.clear(), ["late"] * 30),
    "sample": (ChecksumEvidence, lambda known: known.__init__(known._protection), ["right"] * 30),
    "ordinals": (
        ChecksumCheck,
        lambda check: check._episodes._judged.clear(),
        ["right", "damaged", "damaged", "right", "right", "right", "right", "damaged"] * 10,
    ),
    "counts": (ChecksumEvidence, lambda known: setattr(known, "_matched", 0), ["late"] * 30),
}


@pytest.mark.parametrize("carry", CARRIES)
def test_every_carry_is_needed(carry: str, spec: Spec, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, reset, kinds = CARRIES[carry]
    whole = stream(spec, kinds, 3)
    pieces = whole.split(range(len(whole)))
    assert told(pieces, spec) == told([whole], spec)
    name = "fold" if owner is ChecksumCheck else "add"
    original = getattr(owner, name)

    def forgetting(self, *arguments):
        reset(self)
        return original(self, *arguments)

    monkeypatch.setattr(owner, name, forgetting)
    forgot = told(pieces, spec) != told([whole], spec)
    assert forgot, f"the {carry} could be forgotten between chunks unnoticed"


@pytest.mark.parametrize("kind", ["constant", "late"])
def test_a_wrong_spec_is_told_the_same_however_it_is_cut(kind: str, spec: Spec) -> None:
    whole = stream(spec, ["right", *[kind] * 260, "other"], 5)
    expected = told([whole], spec)
    assert "wrong_spec" in expected[0]
    assert told(whole.split([0, 1, 2, 100, 100, 199, 261]), spec) == expected
