"""Lost frames and bursts that the times of a message without a counter tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.findings.finding import Severity
from tests.finding_numbers import lacking
from tests.kits import TICK, TOCK, of_kind, row, serious, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.results.inspection import Inspection

TACK = TOCK.replace("512 Tock", "513 Tack")


def ticks(folder: Path, times_ms: Iterable[float], stale_ms: int = 100) -> Inspection:
    spec = spec_of(folder, TICK, f"messages: {{Tick: {{period: 10 ms, stale_after: {stale_ms} ms}}}}\n")
    return inspected([frames(row(t) for t in times_ms)], spec)[0]


def sent(count: int, jitter_ms: float = 0.3, period_ms: float = 10.0, seed: int = 1) -> np.ndarray:
    """When frames come that a steady timer sends, each a little late."""
    return period_ms * np.arange(count) + np.random.default_rng(seed).uniform(0, jitter_ms, count)


@pytest.mark.parametrize("jitter_ms", [0, 0.3, 3, 9])
@pytest.mark.parametrize("lost", [[60], [200, 201, 202], [340]])
def test_frames_that_are_lost(tmp_path: Path, jitter_ms: float, lost: list[int]) -> None:
    times_ms = sent(400, jitter_ms)
    result = ticks(tmp_path, np.delete(times_ms, lost))
    (finding,) = serious(result)
    assert (finding.kind, finding.count, finding.severity) == ("loss", len(lost), Severity.WARNING)
    assert span_ms(result, finding)[1] == pytest.approx(times_ms[lost[-1] + 1] - times_ms[0], abs=60)
    assert finding.facts["told_by"] == "time"
    assert lacking(finding) == []


@pytest.mark.parametrize("lost", [10, 375])
def test_a_loss_near_the_end_of_a_stretch_is_not_told(tmp_path: Path, lost: int) -> None:
    assert serious(ticks(tmp_path, np.delete(sent(400), [lost]))) == []


def test_some_of_all_frames_lost_all_the_time(tmp_path: Path) -> None:
    chance = np.random.default_rng(3)
    lost = (chance.random(3000) < 0.1).nonzero()[0]
    (finding,) = serious(ticks(tmp_path, np.delete(sent(3000), lost)))
    assert (finding.kind, finding.count) == ("loss", pytest.approx(len(lost), abs=0.05 * len(lost)))
    assert finding.facts["share"] == pytest.approx(len(lost) / 3000, abs=0.005)
    assert lacking(finding) == []


def test_a_sender_that_is_slow_or_uneven_loses_nothing(tmp_path: Path) -> None:
    assert serious(ticks(tmp_path, sent(3000, period_ms=11.0, jitter_ms=8))) == []
    assert serious(ticks(tmp_path, sent(3000, period_ms=10.05, jitter_ms=9))) == []


def test_every_other_frame_lost_is_a_rate(tmp_path: Path) -> None:
    times_ms = sent(1200)
    half = np.concatenate((times_ms[:400], times_ms[400:800:2], times_ms[800:]))
    assert [one.kind for one in serious(ticks(tmp_path, half))] == ["rate"]


def test_a_phase_that_moves_by_half_a_period_is_no_loss(tmp_path: Path) -> None:
    times_ms = sent(400)
    times_ms[200:] += 5.5
    assert serious(ticks(tmp_path, times_ms)) == []


def test_frames_that_waited_are_a_burst(tmp_path: Path) -> None:
    times_ms = sent(400)
    times_ms[200:207] = times_ms[206] + 0.25 * np.arange(7)
    result = ticks(tmp_path, times_ms)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("burst", Severity.WARNING)
    assert finding.text == (
        "7 frames of Tick came late, after a gap of "
        f"{(finding.value or 0) * 1e3:.5g} ms, and then back to back: they had waited, and none was lost."
    )
    assert span_ms(result, finding)[0] == pytest.approx(1990, abs=1)
    assert lacking(finding) == []


@pytest.mark.parametrize(("until", "told_of"), [(900, ["burst"]), (3000, [])])
def test_bursts_that_go_on_are_one_unless_the_message_comes_so(
    tmp_path: Path, until: int, told_of: list[str]
) -> None:
    times_ms = sent(3000)
    for first in range(60, until - 60, 20):
        times_ms[first : first + 6] = times_ms[first + 5] + 0.25 * np.arange(6)
    found = serious(ticks(tmp_path, times_ms))
    assert [one.kind for one in found] == told_of
    assert [one for finding in found for one in lacking(finding)] == []


def test_a_loss_shortly_before_a_burst_is_told_beside_it(tmp_path: Path) -> None:
    times_ms = sent(400)
    times_ms[200:207] = times_ms[206] + 0.25 * np.arange(7)
    result = ticks(tmp_path, np.delete(times_ms, [180]))
    assert sorted((one.kind, one.count) for one in serious(result)) == [("burst", 1), ("loss", 1)]


def test_a_burst_after_a_silence_is_a_part_of_that(tmp_path: Path) -> None:
    times_ms = sent(400)
    times_ms[200:230] = times_ms[229] + 0.25 * np.arange(30)
    (finding,) = serious(ticks(tmp_path, times_ms))
    assert (finding.kind, [part.kind for part in finding.parts]) == ("stale", ["burst"])
    assert finding.facts["timer"] == "frames waited and came back to back"


def bus(folder: Path, times_ms: dict[int, np.ndarray], **keys: str) -> Inspection:
    periods = {0x100: 10, 0x200: 20, 0x201: 25}
    spec = spec_of(folder, TICK + TOCK + TACK, periods_ms=periods, **keys)
    rows = sorted(row(t, can_id) for can_id, times in times_ms.items() for t in times)
    return inspected([frames(rows)], spec)[0]


def test_what_several_messages_lose_at_once_is_one_finding(tmp_path: Path) -> None:
    times_ms = {0x100: sent(800), 0x200: 3 + sent(400, period_ms=20), 0x201: 5 + sent(320, period_ms=25)}
    there = {one: times[(times < 4000) | (times > 4060)] for one, times in times_ms.items()}
    (finding,) = serious(bus(tmp_path, there))
    assert (finding.kind, finding.place.message, finding.count) == ("loss", None, 3)
    assert {part.place.message for part in finding.parts} == {"Tick", "Tock", "Tack"}
    assert lacking(finding) == []


def test_what_several_messages_wait_for_is_one_finding(tmp_path: Path) -> None:
    times_ms = {0x100: sent(800), 0x200: 3 + sent(400, period_ms=20), 0x201: 5 + sent(320, period_ms=25)}
    for times in times_ms.values():
        held = (times > 4000) & (times < 4080)
        times[held] = 4080 + 0.3 * np.arange(held.sum())
    (finding,) = serious(bus(tmp_path, times_ms))
    assert (finding.kind, finding.place.message, finding.place.bus) == ("burst", None, "drive")
    assert lacking(finding) == []


@pytest.mark.parametrize(("batch_ms", "told_of"), [(2, {"Tick"}), (10, set()), (20, set())])
def test_a_loss_is_told_only_where_the_recorder_fetches_often(
    tmp_path: Path, batch_ms: int, told_of: set[str]
) -> None:
    """Stamps that are multiples of `batch_ms`: a frame that slips into the next fetch looks like one lost."""
    others = {can_id: 1 + can_id % 7 / 3 + sent(4000, 0.1, 2) for can_id in (0x301, 0x302, 0x303)}
    times_ms = {0x100: np.delete(sent(800, 0.1), [400]), **others}
    batched = {one: np.ceil(times / batch_ms) * batch_ms for one, times in times_ms.items()}
    result = bus(tmp_path, batched)
    assert {one.place.message for one in of_kind(result, "loss")} == told_of
    why = f"there is no counter, and the recorder fetches frames only about every {batch_ms} ms."
    not_told = [] if told_of else [f"Whether frames of Tick were lost is not told: {why}"]
    assert [text for text in told(of_kind(result, "spec")) if "lost" in text] == not_told


def test_where_the_phase_moves_by_no_whole_period_a_note_says_that_nothing_is_told(tmp_path: Path) -> None:
    """By 1.4 periods: the phase steps, and no whole number of frames explains it."""
    times_ms = sent(400)
    times_ms[200:] += 14
    result = ticks(tmp_path, times_ms)
    assert serious(result) == []
    (note,) = [one for one in of_kind(result, "spec") if "lost" in one.text]
    assert note.text == (
        "Whether frames of Tick were lost is not told: there is no counter, and they come too irregularly "
        "for their times to tell."
    )
    assert (note.place.bus, note.facts["reason"]) == ("drive", "loss_not_told")


def test_a_recorder_that_fetches_late_makes_no_bursts(tmp_path: Path) -> None:
    times_ms = {0x100: sent(800), 0x200: 3 + sent(400, period_ms=20), 0x201: 5 + sent(320, period_ms=25)}
    batched = {one: np.ceil(times / 50) * 50 for one, times in times_ms.items()}
    result = bus(tmp_path, batched)
    assert serious(result) == [], told(serious(result))


def test_a_clock_that_was_lost_for_a_while_is_no_loss(tmp_path: Path) -> None:
    times_ms = sent(800)
    times_ms[400:500] -= 3000
    assert {one.kind for one in serious(ticks(tmp_path, times_ms))} == {"time_order"}
