"""What the frames on both sides of a silence tell of the timer and the counter of their sender."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.timing.timers import Timer, over_gap
from tests.kits import TICK, of_kind, row, spec_of
from tests.streams import MS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path


def clock(gap_periods: float, jitter_ms: float, period_ms: float = 20.0) -> np.ndarray:
    """Sixty frames of a timer, a gap, and sixty more."""
    due = np.concatenate((np.arange(60), 59 + gap_periods + np.arange(60))) * period_ms
    late = np.random.default_rng(2).uniform(0, jitter_ms, len(due))
    return np.rint((due + late) * MS).astype(np.int64)


@pytest.mark.parametrize(("gap", "timer"), [
    (21, Timer.RAN_ON), (9, Timer.RAN_ON), (21.3, Timer.STARTED_ANEW), (9.5, Timer.STARTED_ANEW)
])  # fmt: skip
@pytest.mark.parametrize("jitter_ms", [0.0, 0.4])
@pytest.mark.parametrize("period_ms", [20.0, 20.1])
def test_a_timer_that_runs_on_and_one_that_starts_anew(
    gap: float, timer: Timer, jitter_ms: float, period_ms: float
) -> None:
    told = over_gap(clock(gap, jitter_ms, period_ms), 60, 20 * MS)
    assert told.timer is timer
    assert told.periods == pytest.approx(gap, abs=0.02)
    assert told.chance <= 0.05


def test_stamps_that_are_too_uneven_tell_nothing() -> None:
    told = over_gap(clock(21, 10), 60, 20 * MS)
    assert told.timer is Timer.UNKNOWN
    assert told.chance > 0.05


COUNTERS = {  # what the counter, of 256 values, does over 20 periods
    "went on by one": 1,
    "went on by as many as fell out": 20,
    "started anew": None,
    "stood": 0,
}


@pytest.mark.parametrize("what", COUNTERS)
def test_a_silence_has_what_timer_and_counter_did_in_its_facts(what: str, tmp_path: Path) -> None:
    dbc = TICK.replace("0|16@1+", "0|8@1+")
    text = "messages: {Tick: {period: 20 ms, counter: {signal: Value}}}\n"
    step = COUNTERS[what]
    again = 0 if step is None else 69 + step
    sent = [row(20.0 * n, data=bytes([n, *bytes(7)])) for n in range(70)]
    offset = 0.0 if step is not None else 7.0
    sent += [row(20.0 * (89 + n) + offset, data=bytes([(again + n) % 256, *bytes(7)])) for n in range(70)]
    result, _ = inspected([frames(sent)], spec_of(tmp_path, dbc, text))
    (silence,) = of_kind(result, "stale")
    assert silence.facts["counter"] == what
    assert silence.facts["timer"] == ("started anew" if step is None else "ran on")
    assert silence.facts["periods"] == pytest.approx(20 + offset / 20, abs=0.01)


def test_a_silence_with_few_frames_around_it_has_none(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK, "messages: {Tick: {period: 20 ms}}\n")
    result, _ = inspected([frames(row(20.0 * n) for n in [*range(30), *range(50, 200)])], spec)
    (silence,) = of_kind(result, "stale")
    assert "timer" not in silence.facts
