"""A description with the bytes of a signal the wrong way round, which a value that leaves its range tells.

What is sent is made by `int.to_bytes`. A DBC gives the least significant bit of a little-endian signal, bit 0
of its first byte, and the most significant one of a big-endian signal, bit 7 of it (as cantools reads it).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding

# A bend to both sides, a drive up and down, and a voltage that hardly changes.
COURSES = {
    "angle": [round(3000 * math.sin(i / 20)) for i in range(200)],
    "speed": [round(2500 * abs(math.sin(i / 40))) for i in range(200)],
    "voltage": [4830 + i * 7 % 23 for i in range(200)],
}
HINT = "With its bytes the other way round it would keep to its limits: see `correct`, "


def found(folder: Path, described: str, payloads: list[bytes]) -> list[Finding]:
    """The findings about a signal, the same however the stream is cut."""
    spec = spec_of(folder, f'BO_ 256 Tick: 8 Node\n SG_ V : {described} (1,0) [-5000|5000] "" Other\n')
    whole = frames(row(10 * number, data=data) for number, data in enumerate(payloads))
    told = [
        of_kind(inspected(chunks, spec)[0], "out_of_range")
        for chunks in ([whole], whole.split([7, 60, 61]), whole.split(range(len(whole))))
    ]
    assert told[0] == told[1] == told[2]
    return told[0]


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("size", [2, 3, 4])
@pytest.mark.parametrize("described", ["little", "big"])
def test_the_other_byte_order_is_told_with_its_correction(
    tmp_path: Path, described: str, size: int, course: str
) -> None:
    sent = "little" if described == "big" else "big"
    payloads = [
        (b"\xaa" + value.to_bytes(size, sent, signed=True)).ljust(8, b"\x55") for value in COURSES[course]
    ]
    start = {"little": 8, "big": 15}
    place = f"{start[described]}|{8 * size}@{'1' if described == 'little' else '0'}-"
    first, *others = found(tmp_path, place, payloads)
    assert first.text.endswith(f"{HINT}byte_order: {sent}_endian, start_bit: {start[sent]}.")
    assert (first.facts["byte_order"], first.facts["start_bit"]) == (f"{sent}_endian", start[sent])
    assert not [one for one in others if HINT in one.text]


@pytest.mark.parametrize(
    "values",
    [
        [round(8000 * math.sin(i / 20)) for i in range(200)],  # too far to both sides
        [*range(4900, 5300, 2), *range(5300, 4900, -2)],  # and back
        [8196 + i * 5 % 9 - 4 for i in range(200)],  # stuck; with its bytes turned it would be inside
        [5000 + 257 * (i % 2) for i in range(200)],
        [0x2000] * 200,  # nothing changes, so nothing tells
        COURSES["angle"][:10] + [7000] * 9,  # too few
    ],
    ids=["too far", "up and down", "stuck", "to and fro", "constant", "few"],
)
def test_a_value_that_really_leaves_its_range_has_no_other_order(tmp_path: Path, values: list[int]) -> None:
    payloads = [value.to_bytes(2, "little", signed=True).ljust(8, b"\0") for value in values]
    told = found(tmp_path, "0|16@1-", payloads)
    assert told
    assert not [one for one in told if HINT in one.text or "byte_order" in one.facts]


@pytest.mark.parametrize(("place", "shift"), [("4|16@1-", 4), ("3|16@0-", 4), ("0|20@1-", 0)])
def test_a_signal_that_is_not_of_whole_bytes_has_no_other_order(
    tmp_path: Path, place: str, shift: int
) -> None:
    """Though its samples are those of an angle whose bytes are turned."""
    turned = [int.from_bytes(value.to_bytes(2, "big", signed=True), "little") for value in COURSES["angle"]]
    order = "big" if "@0" in place else "little"
    told = found(tmp_path, place, [(value << shift).to_bytes(3, order).ljust(8, b"\0") for value in turned])
    assert told
    assert not [one for one in told if HINT in one.text]
