"""What is summed up: periods in bins, exact means, spans of fields."""

from __future__ import annotations

import json
from fractions import Fraction
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.engine.engine import Engine
from canmap.records.columns import FieldColumn
from canmap.stream.consumer import ENOUGH_FRAMES, PATIENCE, Feed, feeds
from canmap.summaries.alive import RecordTimes
from canmap.summaries.counts import FrameCount
from canmap.summaries.fields import FieldSummary, RecordSummaries
from canmap.summaries.periods import PeriodSummary
from canmap.timing.arrivals import Arrivals
from tests.kits import TICK, row, spec_of
from tests.streams import CART, MS, ROOT, START_NS, frames, inspected, taker
from tests.streams import spec_of as cart

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from canmap.summaries.periods import Period

DEMO = ROOT / "captures" / "steering_drop.log"


def period(folder: Path, times_ms: list[float]) -> Period:
    result, _ = inspected([frames(row(t) for t in times_ms)], spec_of(folder, TICK))
    return result.messages[0].period


def summed(*parts: list[float | None]) -> FieldSummary:
    summary, clocked = FieldSummary(), 0
    for part in parts:
        values = np.array([np.nan if value is None else value for value in part])
        nothing, ages = np.zeros(len(values), bool), np.zeros(len(values), np.int64)
        clock = MS * np.arange(clocked, clocked + len(values))
        clocked += len(values)
        summary.fold(RecordTimes(clock, None), [FieldColumn(values, ~np.isnan(values), ages, nothing)])
    return summary


def test_a_regular_message_has_its_period_exactly(tmp_path: Path) -> None:
    said = period(tmp_path, [7.3 * i for i in range(50)])
    assert said.median_ns == said.p99_ns == said.longest_ns == 7.3 * MS


def test_median_and_99th_percentile(tmp_path: Path) -> None:
    # 200 gaps: 197 of 10 ms, 2 of 50 ms, 1 of 80 ms. The 100th in order is 10, the 198th (99 %) is 50.
    gaps = [10.0] * 197 + [50.0] * 2 + [80.0]
    said = period(tmp_path, np.cumsum([0, *gaps]).tolist())
    assert said.median_ns == pytest.approx(10 * MS, rel=1e-12)
    assert said.p99_ns == pytest.approx(50 * MS, rel=1e-12)
    assert said.longest_ns == 80 * MS


def check_against_gaps(said: Period, gaps: NDArray[np.int64]) -> None:
    """Compare with numpy.quantile of the gaps themselves, to the bound that `PeriodSummary` states."""
    for told, share in ((said.median_ns, 0.5), (said.p99_ns, 0.99)):
        assert told == pytest.approx(np.quantile(gaps, share, method="inverted_cdf"), rel=1e-3, abs=0)
        assert told == float(f"{told:.4g}") or told == gaps.max()  # and no digit more than it has
    assert said.longest_ns == gaps.max()


@pytest.mark.parametrize("seed", range(5))
def test_a_percentile_is_right_to_a_thousandth(seed: int) -> None:
    chance = np.random.default_rng(seed)
    spread = chance.normal(1e7, 3e4, 300 * seed), chance.uniform(4e7, 5e7, 40 * seed)
    gaps = chance.permutation(np.concatenate((*spread, [0, 1e3, 1.8e13]))).astype(np.int64)  # up to 5 h
    summary = PeriodSummary(2)
    for part in np.array_split(gaps, 7):  # of the second of two streams
        some, none = min(len(part), 1), np.zeros(0, np.intp)
        one, first = np.ones(some, np.intp), np.zeros(some, np.intp)
        longest = part.max(keepdims=True) if some else part
        arrived = Arrivals(one, first, one * len(part), part, part, longest, one > 0, none, first, ())
        summary.count([arrived])
    check_against_gaps(summary.period(1), gaps)
    assert summary.period(0).median_ns is None


def test_the_figures_of_a_capture_are_those_of_its_stamps() -> None:
    lines = [line.split() for line in DEMO.read_text("ascii").splitlines()]
    # A thousand million seconds in ns are more than a float holds: stamps are read as integers.
    stamps = [(int(stamp[1:-1].replace(".", "")) * 1000, f"{bus} {frame[:3]}") for stamp, bus, frame in lines]
    channel = {"drive": "can0", "chassis": "can1"}
    result = canmap.inspect(DEMO, CART)
    checked = [message for message in result.messages if message.count > 1]
    for message in checked:
        name = f"{channel[message.bus]} {message.can_id:03X}"
        gaps = np.diff([t_ns for t_ns, frame in stamps if frame == name])
        assert message.count == len(gaps) + 1
        check_against_gaps(message.period, gaps)
    assert len(checked) > 10


@pytest.mark.parametrize("times_ms", [[], [5.0]])
def test_fewer_than_two_frames_have_no_period(tmp_path: Path, times_ms: list[float]) -> None:
    said = period(tmp_path, times_ms)
    assert (said.median_ns, said.p99_ns, said.longest_ns) == (None, None, None)


def test_frames_of_one_stamp(tmp_path: Path) -> None:
    assert period(tmp_path, [3.0, 3.0, 3.0]).longest_ns == 0


def test_the_mean_is_that_of_exact_arithmetic() -> None:
    # One large and many small values: floats at 2**39 are 2**-13 apart, so a running sum loses each 2**-15,
    # and with them 2**16 * 2**-15 = 2.
    values = [float(1 << 39), *[2.0**-15] * (1 << 16)]
    exact = sum(map(Fraction, values), Fraction(0)) / len(values)
    assert summed(values).mean == float(exact)
    assert sum(values) / len(values) != float(exact)  # the check that cannot be passed by a plain sum


def test_the_mean_does_not_depend_on_the_cut() -> None:
    values: list[float | None] = np.random.default_rng(2).normal(0, 1e6, 1000).tolist()
    whole = summed(values)
    for cut in (1, 333, 999):
        assert summed(values[:cut], values[cut:]) == whole
    exact = sum(map(Fraction, values), Fraction(0)) / 1000  # type: ignore[arg-type]
    assert whole.mean == float(exact)


def test_values_beyond_two_to_the_40th() -> None:
    values = [2.0**63, -(2.0**63), 3.0, 2.0**41 + 1]
    assert summed(values).mean == (3.0 + 2.0**41 + 1) / 4


def test_only_valid_values_count() -> None:
    summary = summed([None, 2.0, 4.0, None], [None])
    assert (summary.valid, summary.low, summary.high, summary.mean, summary.last) == (2, 2.0, 4.0, 3.0, None)
    assert summed([None]).mean is None
    assert summed([1.0, None], [5.0]).last == 5.0


def test_no_negative_zero_is_told(tmp_path: Path) -> None:
    current = "{signal: Tick.Value, unit: A, sign: -1}"
    text = f"records:\n  battery: {{type: Battery, stamp: Tick, current: {current}}}\n"
    result, _ = inspected([frames([row(0), row(10)])], spec_of(tmp_path, TICK, text))
    said = result.to_json()["records"]["battery"]["fields"]["current"]
    assert "-0.0" not in json.dumps(said)
    assert (said["min"], said["max"], said["mean"], said["last"]) == (0, 0, 0, 0)


def test_a_percentile_is_never_above_the_longest(tmp_path: Path) -> None:
    # 12.3456 ms is 12.35 ms in four digits, which no gap is.
    said = period(tmp_path, [12.3456 * i for i in range(5)])
    assert said.median_ns == said.p99_ns == said.longest_ns == 12_345_600


@pytest.mark.parametrize("size", [1, 3, 7, 100])
def test_summaries_that_wait_are_the_same_at_any_time(size: int) -> None:
    """Asked after half the stream and at its end, given chunk by chunk and at once."""
    rows = [(START_NS + i * i * MS, "can0", (0x101, 0x112)[i % 2], bytes([i] * 8)) for i in range(200)]
    pieces, whole = Engine(cart()), Engine(cart())
    take_pieces, take_whole = taker(pieces), taker(whole)
    for half in (rows[:100], rows[100:]):
        for start in range(0, 100, size):
            take_pieces(frames(half[start : start + size]))
        take_whole(frames(half))
        for kind in (FrameCount, PeriodSummary, RecordSummaries):
            assert pieces.result(kind) == whole.result(kind)
        assert pieces.result(FrameCount).frames == pieces.frames > 0
    assert sum(summary.count for summary in pieces.result(RecordSummaries).values()) > 0
    assert max(period.longest_ns or 0 for period in pieces.result(PeriodSummary)) > 0


def test_a_feed_waits_for_few_chunks_and_few_frames() -> None:
    given: list[int] = []

    class Patient:
        patience = 2

        def fold(self, views: list[SimpleNamespace]) -> None:
            given.append(len(views))

    feed = Feed(Patient())
    for count in (1, 1, 1, 1, ENOUGH_FRAMES, 1, 1):
        feed.fold(SimpleNamespace(clock=range(count)))
    assert given == [3, 2, 1]  # it is the turn, every third chunk; enough frames wait; the turn; one waits
    feed.settle()
    assert given == [3, 2, 1, 1]


def test_who_waits_has_a_turn_of_its_own() -> None:
    """No small chunk brings the turns of two parts, after a large one neither: that would be felt live."""
    turns: list[int] = []

    class Part:
        def __init__(self, number: int, patience: int) -> None:
            self.number, self.patience = number, patience

        def fold(self, views: list[SimpleNamespace]) -> None:
            if self.patience:
                turns.append(self.number)

    class Summary:
        def __init__(self, *parts: Part) -> None:
            self.parts = parts

        def result(self) -> None: ...

    consumers = Summary(Part(0, 0)), Summary(Part(1, PATIENCE)), Summary(*(Part(i, PATIENCE) for i in (2, 3)))
    fed = [feed for own in feeds(consumers) for feed in own]

    def turns_of(count: int) -> list[int]:
        turns.clear()
        for feed in fed:
            feed.fold(SimpleNamespace(clock=range(count)))
        return list(turns)

    assert turns_of(ENOUGH_FRAMES) == [1, 2, 3]  # a large chunk is worth it
    told = [turns_of(1) for _ in range(3 * (PATIENCE + 1))]
    assert max(map(len, told)) == 1
    assert sorted(number for turn in told for number in turn) == [1] * 3 + [2] * 3 + [3] * 3
