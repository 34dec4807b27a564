"""Periods that are all wrong by one factor are one finding; what is wrong with one message stays its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.kits import row, serious, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

PERIODS = {0x100: 10, 0x200: 10, 0x300: 20, 0x400: 50}  # ms, as the senders keep them
MESSAGES = "".join(
    f'BO_ {can_id} M{can_id:03X}: 8 Node\n SG_ V : 0|16@1+ (1,0) [0|0] "" Other\n' for can_id in PERIODS
)


def promising(folder: Path, factor: float, others: Mapping[int, int] | None = None) -> Spec:
    """A spec that promises each period times a factor, or what `others` say."""
    periods = {can_id: round(period * factor) for can_id, period in PERIODS.items()}
    return spec_of(folder, MESSAGES, periods_ms={**periods, **(others or {})})


def drive(until_ms: int = 20_000) -> FrameChunk:
    sent = [(t, can_id) for can_id, period in PERIODS.items() for t in range(can_id % 7, until_ms, period)]
    return frames([row(t_ms, can_id) for t_ms, can_id in sorted(sent)])


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (10, "4 messages come 10 times as often as promised, so what is promised looks wrong: "),
        (0.1, "4 messages come at 10 times their promised period, so what is promised looks wrong: "),
        (0.5, "4 messages come at 2 times their promised period, so what is promised looks wrong: "),
    ],
)
def test_periods_wrong_by_one_factor_are_one_finding(factor: float, said: str, tmp_path: Path) -> None:
    (finding,) = serious(inspected([drive()], promising(tmp_path, factor))[0])
    assert finding.text.startswith(said)
    assert (finding.kind, finding.place.message, finding.count) == ("rate", None, 4)
    assert finding.value == pytest.approx(1 / factor, rel=0.02)
    assert {part.place.message for part in finding.parts} == {f"M{can_id:03X}" for can_id in PERIODS}


def test_silences_that_are_no_longer_than_the_true_period_are_parts(tmp_path: Path) -> None:
    """0x400 comes every 50 ms, is promised every 5 and stale after 40: a silence from frame to frame."""
    text = "messages:\n  M400: {stale_after: 40 ms}\n"
    periods = {can_id: round(period / 10) for can_id, period in PERIODS.items()}
    spec = spec_of(tmp_path, MESSAGES, text, periods_ms=periods)
    (finding,) = serious(inspected([drive()], spec)[0])
    assert {part.kind for part in finding.parts} == {"rate", "stale"}
    whole = drive()
    gone = whole.take((whole.can_id != 0x400) | (whole.t_ns < whole.t_ns[0] + 10**10))
    finding, silent = serious(inspected([gone], spec)[0])
    assert finding.parts
    assert (silent.kind, silent.place.message) == ("stale", "M400")


@pytest.mark.parametrize(
    ("factor", "others"),
    [
        (1, {0x100: 100}),  # one message
        (1, {0x100: 100, 0x200: 100}),  # half of them
        (1, {0x100: 100, 0x200: 40, 0x300: 60}),  # each by a factor of its own
        (0.75, {}),  # as little as a wrong clock would
    ],
)
def test_other_wrong_rates_stay_apart(factor: float, others: dict[int, int], tmp_path: Path) -> None:
    found = serious(inspected([drive()], promising(tmp_path, factor, others))[0])
    assert found
    assert all(finding.place.message and not finding.parts for finding in found)


def test_any_cutting_gives_the_same_wrong_periods(tmp_path: Path) -> None:
    spec, whole = promising(tmp_path, 0.1), drive(6000)
    expected, _ = inspected([whole], spec)
    for points in (range(0, len(whole), 7), range(0, len(whole), 331)):
        assert inspected(whole.split(points), spec)[0].findings == expected.findings
