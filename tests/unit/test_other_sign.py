"""A description with `signed` wrong, which a value that leaves its range tells by jumping.

What is sent is made by `int.to_bytes`, two's complement where it is signed.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from tests.kits import of_kind, row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canmap.findings.finding import Finding

# Out of phase, so that it begins beyond zero.
BEND = [round(3000 * math.sin(i / 15 + 0.1)) for i in range(300)]
AS_SIGNED = "Read as signed it would go through zero instead of jumping: see `correct`, signed: yes."
AS_UNSIGNED = "Read as unsigned it would go on instead of jumping: see `correct`, signed: no."


def found(
    folder: Path,
    sent: Sequence[int],
    signal: str = '0|16@1+ (1,0) [0|6000] ""',
    said: str = "",
) -> list[Finding]:
    """The findings about a signal of two bytes, the same however the stream is cut."""
    spec = spec_of(folder, f"BO_ 256 Tick: 8 Node\n SG_ V : {signal} Other\n", said)
    whole = frames(
        row(10 * number, data=(value & 0xFFFF).to_bytes(2, "little").ljust(8, b"\0"))
        for number, value in enumerate(sent)
    )
    told = [
        of_kind(inspected(chunks, spec)[0], "out_of_range")
        for chunks in ([whole], whole.split([7, 60, 61]), whole.split(range(len(whole))))
    ]
    assert told[0] == told[1] == told[2]
    return told[0]


def hinted(findings: Sequence[Finding], hint: str) -> list[bool]:
    assert findings
    assert all(("signed" in one.facts) == ("Read as " in one.text) for one in findings)
    return [one.text.endswith(hint) for one in findings]


@pytest.mark.parametrize(
    "signal",
    [
        '0|16@1+ (1,0) [0|6000] ""',
        '0|16@1+ (1,0) [-6000|6000] ""',
        '0|16@1+ (0.1,0) [-300|300] "deg"',
        '0|16@1+ (-0.1,0) [-300|300] "deg"',
        '0|16@1+ (0.5,20) [-2000|2000] "deg"',
    ],
)
def test_an_unsigned_reading_of_what_is_signed_is_told(tmp_path: Path, signal: str) -> None:
    told = found(tmp_path, BEND, signal)
    first, *others = hinted(told, AS_SIGNED)
    assert first
    assert not any(others)
    assert told[0].facts["signed"] == "yes"


def test_a_signed_reading_of_what_is_unsigned_is_told(tmp_path: Path) -> None:
    """A value around 32768, the middle of its bits, within limits that have no negative side."""
    sent = [0x8000 + round(200 * math.sin(i / 15)) for i in range(300)]
    told = found(tmp_path, sent, '0|16@1- (1,0) [0|40000] ""')
    assert hinted(told, AS_UNSIGNED)[0]
    assert told[0].facts["signed"] == "no"


def test_what_it_says_is_what_puts_it_right(tmp_path: Path) -> None:
    said = "correct: {Tick.V: {signed: yes, minimum: -6000, reason: as found}}\n"
    assert hinted(found(tmp_path, BEND), AS_SIGNED)[0]
    assert found(tmp_path, BEND, said=said) == []


# What is sent as "no value" (common practice), all bits or all but the last, and what a sensor may do.
OTHERWISE = {
    "no value": [0xFFFF if i // 30 % 2 else 40 - i % 30 for i in range(300)],
    "no value or an error": [0xFFFE + i % 2 if i // 30 % 2 else 0 for i in range(300)],
    "railed, with noise": [0xFFF0 - i * 7 % 16 if i // 60 % 2 else 3000 + i * 5 % 16 for i in range(300)],
    "railed for good": [3000] * 10 + [0xFFF0 - i * 7 % 16 for i in range(300)],
    "too far when read as signed": [value * 4 for value in BEND],
    "really too large": [5000 + 20 * i for i in range(300)],
    "a saw": [i * 997 % 0x10000 for i in range(300)],
    "too few": BEND[:50] + [-value for value in range(0, 90, 10)],
    "only noise around zero": [i % 3 - 1 for i in range(300)],
}


@pytest.mark.parametrize("name", OTHERWISE)
def test_what_leaves_its_range_otherwise_gets_no_hint(tmp_path: Path, name: str) -> None:
    told = found(tmp_path, OTHERWISE[name])
    assert not any(hinted(told, AS_SIGNED))


def test_a_code_that_is_no_value_is_no_jump(tmp_path: Path) -> None:
    voltage = "{signal: Tick.V, unit: V, no_data: 0xFFFF}"
    said = f"records:\n  battery: {{type: Battery, stamp: Tick, voltage: {voltage}}}\n"
    sent = [*BEND, *[0x7FFF] * 30]  # as signed it would be too large for its limits
    assert not any(hinted(found(tmp_path, sent), AS_SIGNED))
    with_gaps = [0xFFFF if i % 50 == 49 else value for i, value in enumerate(BEND)]
    assert hinted(found(tmp_path, with_gaps, said=said), AS_SIGNED)[0]
