"""Messages that two nodes send: told by their counter, or by the phase of their frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.findings.finding import Severity
from tests.finding_numbers import lacking
from tests.kits import TICK, row, serious, span_ms, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection

COUNTER = "messages: {Tick: {period: 10 ms, counter: {signal: Value, wrap: 14}}}\n"
PLAIN = "messages: {Tick: {period: 10 ms}}\n"


def of_senders(folder: Path, text: str, *senders: tuple[float, float, int, float]) -> Inspection:
    """Frames of senders (first and last ms, first counter, period in ms)."""
    sent = [
        row(t, data=bytes([(first + number) % 15, *bytes(7)]))
        for begin, end, first, period in senders
        for number, t in enumerate(np.arange(begin, end, period))
    ]
    return inspected([frames(sorted(sent))], spec_of(folder, TICK, text))[0]


@pytest.mark.parametrize("phase_ms", [0.4, 3.0, 5.0, 9.7])
@pytest.mark.parametrize("first", [0, 1, 7])
def test_two_counters_that_interleave(tmp_path: Path, phase_ms: float, first: int) -> None:
    result = of_senders(tmp_path, COUNTER, (0, 4000, 0, 10), (1000 + phase_ms, 3000, first, 10))
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.place.message) == ("two_senders", Severity.ERROR, "Tick")
    assert span_ms(result, finding) == (
        pytest.approx(1000, abs=25),
        pytest.approx(3000, abs=90),
    )  # eight frames
    assert {part.kind for part in finding.parts} <= {"rate", "loss", "counter"} != set()
    assert lacking(finding) == []


def in_step(second: int) -> list[tuple[int, str, int, bytes]]:
    """Frames every 10 ms, and for 2 s another 3 ms after each, with its counter and some other byte."""
    first = [(10.0 * n, bytes([n % 15, *bytes(7)])) for n in range(400)]
    other = [(10.0 * n + 3, bytes([n % 15, *bytes(6), second])) for n in range(100, 300)]
    return [row(t, data=data) for t, data in sorted(first + other)]


def test_two_counters_in_step_are_told_by_what_the_frames_say(tmp_path: Path) -> None:
    result, _ = inspected([frames(in_step(7))], spec_of(tmp_path, TICK, COUNTER))
    (finding,) = serious(result)
    assert (finding.kind, finding.count) == ("two_senders", pytest.approx(400, abs=10))
    assert span_ms(result, finding) == (pytest.approx(1000, abs=25), pytest.approx(3000, abs=90))


def test_frames_that_come_a_second_time_as_they_are_have_one_sender(tmp_path: Path) -> None:
    result, _ = inspected([frames(in_step(0))], spec_of(tmp_path, TICK, COUNTER))
    assert {one.kind for one in serious(result)} == {"counter", "rate"}


def test_clocks_that_drift_through_each_other(tmp_path: Path) -> None:
    result = of_senders(tmp_path, COUNTER, (0, 6000, 3, 10), (1003, 6000, 9, 9.98))
    (finding,) = serious(result)
    assert (finding.kind, finding.open) == ("two_senders", True)


def test_a_sender_whose_frames_repeat_is_one(tmp_path: Path) -> None:
    """Each frame a second time in place of the next, at the promised rate."""
    sent = [row(10.0 * number, data=bytes([number // 2 % 15, *bytes(7)])) for number in range(400)]
    result, _ = inspected([frames(sent)], spec_of(tmp_path, TICK, COUNTER))
    assert {one.kind for one in serious(result)} == {"counter"}


def test_a_sender_that_loses_frames_is_one(tmp_path: Path) -> None:
    chance = np.random.default_rng(5)
    sent = [row(10.0 * n, data=bytes([n % 15, *bytes(7)])) for n in range(2000) if chance.random() > 0.2]
    result, _ = inspected([frames(sent)], spec_of(tmp_path, TICK, COUNTER))
    assert "two_senders" not in {one.kind for one in serious(result)}


@pytest.mark.parametrize("phase_ms", [1.5, 3.0, 8.0])
def test_two_rows_of_frames_without_a_counter(tmp_path: Path, phase_ms: float) -> None:
    result = of_senders(tmp_path, PLAIN, (0, 4000, 0, 10), (1000 + phase_ms, 3000, 0, 10))
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("two_senders", Severity.ERROR)
    assert finding.value == pytest.approx(min(phase_ms, 10 - phase_ms) / 1e3)
    assert span_ms(result, finding) == (pytest.approx(1000, abs=25), pytest.approx(3000, abs=25))
    assert [part.kind for part in finding.parts] == ["rate"]
    assert lacking(finding) == []


@pytest.mark.parametrize("first", [0, 3])
def test_two_rows_half_a_period_apart(tmp_path: Path, first: int) -> None:
    """Each row in the promised period; the times cannot exclude one sender that became twice as quick."""
    result = of_senders(tmp_path, PLAIN, (0, 4000, 0, 10), (1005, 3000, first, 10))
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("two_senders", Severity.ERROR)
    assert finding.text == (
        "Tick has two senders: its frames come in two rows, each every 10 ms, half of that apart; "
        "one sender that became twice as quick would look the same."
    )
    assert span_ms(result, finding) == (pytest.approx(1000, abs=25), pytest.approx(3000, abs=25))
    assert [part.kind for part in finding.parts] == ["rate"]
    assert lacking(finding) == []


def test_a_sender_that_is_twice_as_quick_all_the_time_is_one(tmp_path: Path) -> None:
    result = of_senders(tmp_path, PLAIN, (0, 3000, 0, 5))
    assert [one.kind for one in serious(result)] == ["rate"]


def test_frames_that_come_a_second_time_half_a_period_later_are_no_second_sender(tmp_path: Path) -> None:
    sent = [(10.0 * n, n % 250) for n in range(400)]
    sent += [(t + 5, said) for t, said in sent[100:300]]
    rows = [row(t, data=bytes([said, *bytes(7)])) for t, said in sorted(sent)]
    result, _ = inspected([frames(rows)], spec_of(tmp_path, TICK, PLAIN))
    assert [one.kind for one in serious(result)] == ["rate"]
