"""Rolling counters: what is told of any frames against a plain twin, and against what was done to them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from canmap.payload.counters import RollingCounter
from canmap.signals.sequences import Counting, Tail, Wrong, judged
from tests.counter_twin import HOUR, CounterTwin, Seen, Told
from tests.streams import MS

GAPS_MS = st.sampled_from([-3000, 0, 1, 9, 10, 11, 20, 40, 99, 100, 150, 400, 4_000_000])


def told(counting: Counting, frames: list[Seen], cuts: list[int]) -> list[Told]:
    """What is told of frames that are cut into chunks."""
    tail, found = Tail(), []
    for start, stop in zip([0, *cuts], [*cuts, len(frames)], strict=True):
        part = frames[start:stop]
        one = judged(
            counting,
            tail,
            np.array([frame.number for frame in part], np.int64),
            np.array([frame.t_ns for frame in part], np.int64),
            np.array([frame.read for frame in part], np.bool_),
        )
        tail = one.tail
        found += [Told(Wrong(w).name, n) for w, n in zip(one.wrong.tolist(), one.lost.tolist(), strict=True)]
    return found


@st.composite
def rings(draw: st.DrawFn) -> tuple[RollingCounter, list[int]]:
    first, step = draw(st.integers(0, 3)), draw(st.integers(1, 3))
    last = draw(st.integers(first + 2 * step, 40))
    reserved = tuple(draw(st.lists(st.integers(first + 1, last), max_size=3)))
    values = [value for value in range(first, last + 1, step) if value not in reserved]
    assume(len(values) > 1)
    return RollingCounter.between(first, last, step, reserved), values


@given(st.data())
def test_any_frames_are_told_as_the_twin_tells_them(data: st.DataObject) -> None:
    ring, values = data.draw(rings())
    assert (ring.values, ring.first, ring.last) == (len(values), values[0], values[-1])
    every = data.draw(st.sampled_from([1, 1, 4, 7]))
    assume(every % len(values))
    largest = data.draw(st.integers(1, len(values)))
    period_ns, silence_ns = data.draw(st.sampled_from([(0, 100 * MS), (10 * MS, 100 * MS), (10 * MS, HOUR)]))
    counting = Counting(ring, every, largest, 0, period_ns, silence_ns)
    frames, place, t_ns = [], 0, 0
    for _ in range(data.draw(st.integers(0, 40))):
        place += data.draw(st.sampled_from([every] * 4 + [0, 0, 1, 2, 5, -1, 12, -place]))
        t_ns += data.draw(GAPS_MS) * MS
        number = data.draw(st.sampled_from([values[place % len(values)]] * 8 + [values[0], values[-1] + 1]))
        frames.append(Seen(number, t_ns, read=data.draw(st.sampled_from([True] * 6 + [False]))))
    expected = CounterTwin(values, every, largest, period_ns, silence_ns).run(frames)
    assert told(counting, frames, []) == expected
    cuts = sorted(data.draw(st.lists(st.integers(0, len(frames)), max_size=6)))
    assert told(counting, frames, cuts) == expected
    assert told(counting, frames, list(range(len(frames)))) == expected


@given(st.integers(2, 300), st.sampled_from([1, 2, 3, 4, 5]), st.floats(0, 0.3), st.integers(0, 2**32 - 1))
def test_frames_of_a_sender_that_overtake_each_other_are_not_lost(
    count: int, messages: int, share: float, seed: int
) -> None:
    """What is lost is told, and no more, however frames overtake each other that are handed over at once."""
    chance = np.random.default_rng(seed)
    late = messages - 1
    sent = np.arange(count)
    order = np.argsort(sent + chance.permutation(count) % (late + 1) * 1.0, kind="stable")
    kept = np.ones(count, np.bool_)
    for place in np.flatnonzero(chance.random(count) < share):
        kept[place] = kept[max(place - 4, 0) : place].all() or late == 0  # never more than few in a row
    kept[: late + 1] = kept[count - late - 2 :] = True
    numbers = order[kept[order]]
    lost = np.count_nonzero(~kept)
    ring = RollingCounter(64)
    counting = Counting(ring, 1, 16, late, 0, HOUR)
    frames = [Seen(int(number) % 64, row * MS) for row, number in enumerate(numbers)]
    found = told(counting, frames, [])
    assert {one.wrong for one in found} == {"NOTHING"}
    assert sum(one.lost for one in found) in range(lost - late, lost + 1)  # those just before the end
    for cuts in ([*range(1, len(frames))], sorted(chance.integers(0, len(frames), 5).tolist())):
        assert told(counting, frames, cuts) == found


@given(st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_any_counters_of_a_sender_are_told_the_same_however_they_are_cut(late: int, seed: int) -> None:
    chance = np.random.default_rng(seed)
    steps = chance.choice([1, 1, 1, 1, 2, -1, 0, 5, 30], 60)
    gaps = chance.choice([1, 10, 150], 60, p=[0.5, 0.45, 0.05]) * MS
    read = chance.random(60) < 0.9
    counting = Counting(RollingCounter(32), 1, 16, late, 5 * MS, 100 * MS)
    numbers = np.cumsum(steps) % 33
    frames = [
        Seen(*one) for one in zip(numbers.tolist(), np.cumsum(gaps).tolist(), read.tolist(), strict=True)
    ]
    whole = told(counting, frames, [])
    assert told(counting, frames, list(range(60))) == whole
    assert told(counting, frames, sorted(chance.integers(0, 60, 6).tolist())) == whole


@pytest.mark.parametrize(("lost", "silent"), [(3, False), (14, True), (15, True), (29, True), (37, True)])
def test_a_silence_of_more_than_a_round_is_counted_by_its_time(lost: int, *, silent: bool) -> None:
    """15 values at 10 ms: the counter alone tells 14 and 29 lost frames from none."""
    counting = Counting(RollingCounter(15), 1, 7, 0, 10 * MS, 100 * MS)
    numbers = [*range(5), *range(5 + lost, 10 + lost)]
    found = told(counting, [Seen(number % 15, number * 10 * MS) for number in numbers], [])
    assert [one.wrong for one in found] == ["NOTHING"] * 10
    # One step on may also be a sender that stood still: nothing is told of 15 and 30 steps and one more.
    assert sum(one.lost for one in found) == (0 if lost % 15 == 0 else lost)
    assert silent == (lost * 10 + 10 >= 100)
