"""Cyclic messages that come too often or too seldom: windows, tolerance, silences, merging."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.findings.finding import Severity
from tests.kits import TICK, of_kind, row, serious, span_ms, spec_of, told
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection


def ticks(folder: Path, times_ms: Iterable[float], period_ms: int = 10) -> tuple[Inspection, list[Finding]]:
    spec = spec_of(folder, TICK, periods_ms={256: period_ms})
    result, _ = inspected([frames(row(t) for t in times_ms)], spec)
    return result, of_kind(result, "rate")


def every(step_ms: float, begin_ms: float, end_ms: float) -> list[float]:
    count = round((end_ms - begin_ms) / step_ms)
    return [begin_ms + i * step_ms for i in range(count)]


@pytest.mark.parametrize(
    ("step_ms", "wrong"),
    [(12.0, False), (12.1, True), (8.0, False), (7.9, True), (10.0, False)],  # 20 % of 10 ms is 2 ms
)
def test_twenty_percent_both_sides(tmp_path: Path, step_ms: float, wrong: bool) -> None:
    result, found = ticks(tmp_path, every(step_ms, 0, 5000))
    assert len(found) == wrong, told(found)
    if wrong:
        (finding,) = found
        assert finding.severity is Severity.WARNING
        assert finding.value == pytest.approx(step_ms / 1e3)
        assert finding.limit == pytest.approx(0.01)
        assert "from the start" in finding.text
        assert finding.open
        assert result.verdict == "pass"


def test_an_unfinished_window_is_not_judged(tmp_path: Path) -> None:
    # The window is the longer of 20 * 10 ms and 1 s. The frame at 1000 ms would be the first of the next.
    assert ticks(tmp_path, every(20, 0, 1000))[1] == []
    assert len(ticks(tmp_path, every(20, 0, 1020))[1]) == 1


def test_the_window_of_a_slow_message_is_twenty_intervals(tmp_path: Path) -> None:
    # 20 * 100 ms = 2 s
    assert ticks(tmp_path, every(50, 0, 2000), period_ms=100)[1] == []
    assert len(ticks(tmp_path, every(50, 0, 2050), period_ms=100)[1]) == 1


def test_windows_are_counted_from_the_first_frame_and_neighbours_merge(tmp_path: Path) -> None:
    # First frame at 500: windows 500-1500, 1500-2500, ... The rate is halved in the second, third and fifth.
    times = [
        *every(10, 500, 1500), *every(20, 1500, 3500), *every(10, 3500, 4500), *every(20, 4500, 5500),
        *every(10, 5500, 7000),
    ]  # fmt: skip
    result, found = ticks(tmp_path, [0, *times])
    # The frame at 0 begins a grid, and the gap after it (500 ms, stale) begins the one that counts.
    assert [span_ms(result, f) for f in found] == [(1500, 3500), (4500, 5500)]
    assert [f.count for f in found] == [2, 1]
    assert [f.value for f in found] == pytest.approx([0.02, 0.02])
    assert not any(f.open for f in found)


def test_a_silence_cuts_the_window_short(tmp_path: Path) -> None:
    # 90 frames, 500 ms of silence, 90 frames. Without the cut the first window would have 90 frames to
    # 1390 ms: 15.4 ms each, which is off by more than 20 %.
    result, found = ticks(tmp_path, [*every(10, 0, 900), *every(10, 1390, 2290)])
    assert told(found) == []
    assert [f.kind for f in serious(result)] == ["stale"]


def test_batches_of_stamps_do_not_disturb_it(tmp_path: Path) -> None:
    # A recorder that stamps three frames at once every 30 ms: the mean is still 10 ms.
    times = [30 * (i // 3) for i in range(600)]
    assert told(ticks(tmp_path, times)[1]) == []


def test_a_finding_is_over_when_the_rate_is_right_again(tmp_path: Path) -> None:
    result, found = ticks(tmp_path, [*every(5, 0, 2000), *every(10, 2000, 5000)])
    (finding,) = found
    assert span_ms(result, finding) == (0, 2000)
    assert not finding.open
    assert finding.text == "Tick came every 5 ms on average instead of every 10 ms."


def test_a_message_without_a_period_has_no_rate(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK)
    result, _ = inspected([frames(row(t) for t in every(3, 0, 5000))], spec)
    assert serious(result) == []


@pytest.mark.parametrize(("steps_ms", "from_start"), [((20, 20), True), ((10, 20), False)])
def test_from_the_start_is_said_only_of_a_rate_that_was_wrong_from_the_first_window_on(
    tmp_path: Path, steps_ms: tuple[int, int], from_start: bool
) -> None:
    """Windows of 1 s: the first three at one step, the rest at another, to the end."""
    times_ms = every(steps_ms[0], 0, 3000) + every(steps_ms[1], 3000, 8000)
    (finding,) = ticks(tmp_path, times_ms)[1]
    assert finding.open
    assert ("from the start" in finding.text) == from_start


# Windows of 1 s lie at 0, 1000, ... ms, wherever a disturbance does.
@pytest.mark.parametrize(
    ("begin_ms", "end_ms", "windows"),
    [
        # In the windows 3000 and 6000 for 79 % and 11 %: 61 gaps of 16.6 ms on average, which is off, and
        # 94 of 10.5 ms, which is not.
        (3210, 6110, 3),
        # The other way round: 10 % of the window 2000, 80 % of the window 5000.
        (2900, 5800, 3),
        # From a window to a window.
        (3000, 6000, 3),
    ],
)
def test_a_wrong_rate_begins_and_ends_where_its_gaps_do(
    tmp_path: Path, begin_ms: int, end_ms: int, windows: int
) -> None:
    times = [*every(10, 0, begin_ms), *every(20, begin_ms, end_ms), *every(10, end_ms, 9000)]
    result, (finding,) = ticks(tmp_path, times)
    # The last frame in time before, and the first that is in time again: no gap between is 10 ms.
    assert span_ms(result, finding) == (begin_ms, end_ms)
    assert (finding.value, finding.count, finding.open) == (pytest.approx(0.02), windows, False)


def test_some_lost_frames_begin_and_end_a_wrong_rate_too(tmp_path: Path) -> None:
    # Every second frame pair is lost from 2500 to 4420 ms: gaps of 30 and 10 ms, 20 ms on average.
    lost = [2500 + 40 * i + late for i in range(48) for late in (0, 30)]
    result, (finding,) = ticks(tmp_path, [*every(10, 0, 2500), *lost, *every(10, 4420, 8000)])
    # The last gap that is off ends at 2500 + 40 * 47 + 30 = 4410 ms.
    assert span_ms(result, finding) == (2500, 4410)


def test_gaps_that_are_always_off_do_not_tell_where_a_wrong_rate_begins(tmp_path: Path) -> None:
    # Gaps of 5 and 15 ms, right on average; at 20 ms from 3000 to 6000 ms.
    pairs = [20 * i + late for i in range(450) for late in (0, 5)]
    times = [t for t in pairs if t < 3000 or t >= 6000] + every(20, 3000, 6000)
    result, (finding,) = ticks(tmp_path, sorted(times))
    assert span_ms(result, finding) == (3000, 6000)


def test_a_window_that_a_silence_cut_is_not_told_twice(tmp_path: Path) -> None:
    # At 20 ms from 2210 ms on, silent from 4510 to 5010 ms: the window that begins at 4010 ms is not judged.
    times = [*every(10, 0, 2210), *every(20, 2210, 4530), *every(10, 5010, 8000)]
    result, (finding,) = ticks(tmp_path, times)
    assert span_ms(result, finding) == (2210, 4010)
    (silent,) = of_kind(result, "stale")
    assert span_ms(result, silent) == (4510, 5010)
    assert [f.kind for f in serious(result)] == ["rate", "stale"]
