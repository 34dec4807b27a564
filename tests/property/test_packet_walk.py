"""Messages of several packets: over any stream and any cutting, what a plain walk over the frames reads."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tests import kits
from tests.streams import cuts, frames, inspected

if TYPE_CHECKING:
    from canmap.mapping.model import Spec

DM1, OTHER, LONGEST_MS = 65226, 65227, 750
HEAD = "vehicle: Tractor\nbuses: {drive: {description: kit.dbc, channel: can0, match: parameter_group}}\n"
KIT = f'BO_ {6 << 26 | DM1 << 8 | 1 << 31} Codes: 8 Node\n SG_ Lamps : 0|16@1+ (1,0) [0|0] "" Other\n'


class Frame(NamedTuple):
    """A frame: how long after the one before, from whom, what it announces (group, codes) or its packet."""

    passed_ms: int
    address: int
    announces: tuple[int, int] | None
    packet: tuple[int, int]  # its number and a byte that it repeats


@cache
def spec() -> Spec:
    with tempfile.TemporaryDirectory() as folder:
        return kits.spec_of(Path(folder), KIT, "trouble_codes: {Codes: {}}\n", head=HEAD)


def length(codes: int) -> int:
    return 2 + 4 * codes


def packets(codes: int) -> int:
    return -(-length(codes) // 7)


def sent(frame: Frame) -> tuple[int, bytes]:
    """Identifier and payload."""
    if frame.announces is None:
        number, byte = frame.packet
        return 0x1CEBFF00 | frame.address, bytes([number, *[byte] * 7])
    group, codes = frame.announces
    head = [32, length(codes), 0, packets(codes), 0xFF, *group.to_bytes(3, "little")]
    return 0x1CECFF00 | frame.address, bytes(head)


def walk(stream: list[Frame]) -> tuple[Counter[tuple[int, bytes]], Counter[int]]:
    """How many messages hold each code, by address; how many were lost."""
    held, lost = Counter[tuple[int, bytes]](), Counter[int]()
    open_of: dict[int, tuple[int, int, list[int], int]] = {}  # group, codes, bytes so far, when the last came
    now_ms = 0
    for frame in stream:
        now_ms += frame.passed_ms
        begun = open_of.pop(frame.address, None)
        if frame.announces is not None:
            lost[frame.address] += begun is not None and begun[0] == DM1
            open_of[frame.address] = (*frame.announces, [], now_ms)
        elif begun is not None:
            group, codes, data, last_ms = begun
            number, byte = frame.packet
            if number != len(data) // 7 + 1 or now_ms - last_ms > LONGEST_MS:
                lost[frame.address] += group == DM1
                continue
            data += [byte] * 7
            if len(data) < packets(codes) * 7:
                open_of[frame.address] = (group, codes, data, now_ms)
            elif group == DM1:
                content = bytes(data[: length(codes)])
                held.update({(frame.address, content[i : i + 4]) for i in range(2, len(content), 4)})
    return held, lost


@st.composite
def streams(draw: st.DrawFn) -> list[Frame]:
    """Messages that mostly come whole, of two senders between each other."""
    made, next_of = [], {0: 1, 9: 1}
    for _ in range(draw(st.integers(0, 30))):
        address = draw(st.sampled_from([0, 0, 9]))
        passed_ms = draw(st.sampled_from([*[50] * 12, 750, 751]))
        announces = None
        if next_of[address] > 3 or draw(st.integers(0, 9)) == 0:
            group = draw(st.sampled_from([DM1, DM1, DM1, OTHER]))
            announces, next_of[address] = (group, draw(st.sampled_from([3, 4, 4]))), 1
        else:
            next_of[address] += draw(st.sampled_from([1, 1, 1, 1, 1, 1, 1, 0, 2]))
        number = next_of[address] - (announces is None)
        made.append(Frame(passed_ms, address, announces, (max(number, 0), draw(st.integers(1, 3)))))
    return made


@given(streams(), st.data())
def test_a_plain_walk_reads_the_same_codes(stream: list[Frame], data: st.DataObject) -> None:
    now_ms, rows = 0, []
    for frame in stream:
        now_ms += frame.passed_ms
        rows.append(kits.row(now_ms, *sent(frame)))
    whole = frames(rows)
    whole = replace(whole, extended=np.ones(len(whole), np.bool_))
    result, _ = inspected(whole.split(data.draw(cuts(whole))), spec())
    held, lost = walk(stream)
    found = Counter[tuple[int, int, int]]()
    for one in kits.of_kind(result, "fault_reported"):
        found[one.facts["address"], one.facts["spn"], one.facts["fmi"]] += one.count
    expected = Counter[tuple[int, int, int]]()
    for (address, code), count in held.items():
        low, middle, mixed, _ = code
        expected[address, low | middle << 8 | mixed >> 5 << 16, mixed & 31] += count
    told = Counter[int]()
    for one in kits.of_kind(result, "loss"):
        told[one.facts["address"]] += one.count
    assert (found, told) == (expected, +lost)
