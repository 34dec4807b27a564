"""Frames handed on as fast as they were recorded, against a clock that the test moves."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from canmap.frames.chunks import Coverage, FrameChunk, empty_chunk, join
from canmap.timing.pace import SHORTEST_S, TICK_S, Lateness, Pace, wait_until_settled
from tests.kits import row
from tests.streams import MS, START_NS, frames


class Wall:
    """A clock that moves only by being slept on, or by the work that the test says was done."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept: list[float] = []

    def now(self) -> float:
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        assert duration_s > 0
        self.slept.append(duration_s)
        self.now_s += duration_s


def played(
    times_ms: list[float], factor: float = 1.0, work_s: float = 0.0
) -> tuple[list[tuple[float, FrameChunk]], Pace, Wall]:
    """What came when, in s since the first frame."""
    wall = Wall()
    pace = Pace(factor, wall.now, wall.sleep)
    came = []
    for piece in pace.chunks(frames(row(t) for t in times_ms)):
        came.append((wall.now_s - 100.0, piece))
        wall.now_s += work_s
    return came, pace, wall


def frame_times(came: list[tuple[float, FrameChunk]]) -> list[float]:
    return [at_s for at_s, piece in came for _ in range(len(piece))]


@pytest.mark.parametrize("factor", [1.0, 10.0, 0.5])
def test_frames_come_when_they_are_due(factor: float) -> None:
    times = [0, 5, 5, 12, 100, 101, 350]
    came, pace, _ = played(times, factor)
    # Never early, and late by no more than the shortest wait, which is half a millisecond.
    for at_s, t_ms in zip(frame_times(came), times, strict=True):
        assert t_ms / 1e3 / factor - 1e-6 <= at_s <= t_ms / 1e3 / factor + SHORTEST_S + 1e-6
    assert pace.worst_late_s <= SHORTEST_S + 1e-6


def test_nothing_is_lost_added_or_put_in_another_order() -> None:
    times = [0.0, 5, 4, 5, 60, 59, 200]
    came, _, _ = played(times)
    assert join(piece for _, piece in came).t_ns.tolist() == [START_NS + round(t * MS) for t in times]


def test_silence_shows_as_empty_chunks_that_promise_more_and_more() -> None:
    came, _, _ = played([0, 500])
    empty = [(at_s, piece) for at_s, piece in came if not len(piece)]
    assert len(empty) >= 0.5 / TICK_S - 1
    for at_s, piece in empty:
        assert piece.coverage == (
            Coverage("can0", START_NS, min(START_NS + int(at_s * 1e9), START_NS + 500 * MS)),
        )
    until = [piece.coverage[0].until_ns for _, piece in came if piece.coverage]
    assert until == sorted(until)


def test_no_sleep_is_longer_than_a_tick() -> None:
    _, _, wall = played([0, 500, 501])
    assert max(wall.slept) <= TICK_S


def test_lateness_does_not_add_up() -> None:
    # Each piece takes 3 ms of work; 100 frames are 10 ms apart. The last is as late as the first, and a
    # clock that waited 10 ms after each would be 300 ms behind by then.
    came, pace, _ = played([10.0 * i for i in range(100)], work_s=0.003)
    late = [at_s - i / 100 for i, at_s in enumerate(frame_times(came))]
    assert max(late) < 0.01
    assert pace.worst_late_s == pytest.approx(max(late), abs=1e-6)


def test_too_much_work_is_told_as_lateness() -> None:
    # 10 frames 10 ms apart with 50 ms of work for each piece: what is due meanwhile comes in one piece,
    # after a pause of 0.5 ms. The frame due at 10 comes at 50.5, that due at 60 at 101.
    came, pace, _ = played([10.0 * i for i in range(10)], work_s=0.05)
    assert [len(piece) for _, piece in came if len(piece)] == [1, 5, 4]
    assert pace.worst_late_s == pytest.approx(0.041, abs=1e-6)


@pytest.mark.parametrize("step_ms", [-3_000, -7_200_000, 7_200_000])
def test_a_step_of_the_recorders_clock_neither_hurries_nor_stops(step_ms: float) -> None:
    # The session clock holds at the step, and goes on by what follows.
    came, _, _ = played([0.0, 10, step_ms, step_ms + 40, step_ms + 90])
    assert frame_times(came) == pytest.approx([0, 0.01, 0.01, 0.05, 0.1], abs=SHORTEST_S + 1e-6)


def test_the_schedule_goes_on_over_several_chunks() -> None:
    wall = Wall()
    pace = Pace(1.0, wall.now, wall.sleep)
    came = []
    for times in ([0, 10], [], [20, 100], [90, 130]):
        for piece in pace.chunks(frames(row(t) for t in times)):
            came += [wall.now_s - 100.0] * len(piece)
    assert came == pytest.approx([0, 0.01, 0.02, 0.1, 0.1, 0.13], abs=SHORTEST_S + 1e-6)


def test_what_the_source_says_it_covers_is_kept() -> None:
    spans = (Coverage("can0", START_NS, START_NS + 10 * MS), Coverage("can1", START_NS, START_NS + 4 * MS))
    chunk = replace(frames([row(0), row(10)]), coverage=spans)
    wall = Wall()
    pieces = list(Pace(1.0, wall.now, wall.sleep).chunks(chunk))
    assert pieces[-1].coverage == spans


def test_bad_lines_of_an_empty_chunk_pass() -> None:
    chunk = replace(empty_chunk(("can0",)), bad_count=3)
    assert [piece.bad_count for piece in Pace(1.0).chunks(chunk)] == [3]


def test_the_real_clock() -> None:
    pace = Pace(10.0)
    began_s = time.monotonic()
    pieces = list(pace.chunks(frames(row(t) for t in np.arange(0, 1001, 10))))
    taken_s = time.monotonic() - began_s
    assert sum(map(len, pieces)) == 101
    assert 0.1 <= taken_s < 1.0  # the upper bounds are for a busy machine
    assert pace.worst_late_s < 0.5


def test_a_pause_moves_the_rest_of_the_schedule_and_hands_nothing_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: 5_000_000_000)
    wall = Wall()
    pace = Pace(2.0, wall.now, wall.sleep, lambda: 100.1 <= wall.now_s < 103.1)
    came = []
    for piece in pace.chunks(frames(row(t) for t in (0, 100, 180, 300, 1000))):
        came.append((wall.now_s - 100.0, piece))
    # At twice the pace; from 0.1 s on it stands still for 3 s, and a tick more until it sees that it is over.
    assert [at_s for at_s, _ in came if 0.1 + TICK_S < at_s < 3.1] == []
    late = [at_s - t_s for at_s, t_s in zip(frame_times(came), (0, 0.05, 0.09, 0.15, 0.5), strict=True)]
    assert late[:3] == pytest.approx([0, 0, 0], abs=SHORTEST_S)
    assert late[3:] == pytest.approx([late[3]] * 2, abs=SHORTEST_S)
    assert 3.0 - TICK_S <= late[3] <= 3.0 + TICK_S
    assert pace.worst_late_s <= SHORTEST_S + 1e-6  # against the schedule as it then stands
    # What is due when: nothing, until the pause, then later by it.
    assert pace.late_s(START_NS + 1000 * MS) == pytest.approx(wall.now_s - 100.5 - late[3], abs=SHORTEST_S)
    due_ns = pace.due_at_ns(np.array([START_NS, START_NS + 1000 * MS]))
    assert due_ns[1] - due_ns[0] == 500 * MS
    assert due_ns[0] == pytest.approx(5e9 + late[3] * 1e9, abs=1e6)


def test_a_program_that_is_suspended_hurries_no_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    """For a minute, from one moment to the next: the rest of the schedule is as much later."""
    monkeypatch.setattr(time, "time_ns", lambda: 5_000_000_000)
    wall = Wall()

    def suspended_s() -> float:
        return 60.0 if wall.now_s > 100.1 else 0.0

    pace = Pace(1.0, lambda: wall.now_s + suspended_s(), wall.sleep, suspended_s=suspended_s)
    came = [(wall.now_s - 100.0, piece) for piece in pace.chunks(frames(row(t) for t in (0, 90, 150, 400)))]
    assert frame_times(came) == pytest.approx([0, 0.09, 0.15, 0.4], abs=SHORTEST_S)
    assert pace.worst_late_s <= SHORTEST_S + 1e-6
    assert pace.paused_ns == 60_000_000_000
    assert pace.due_at_ns(np.array([START_NS + 400 * MS])) == 65_400_000_000


@pytest.mark.parametrize(("ahead_s", "work_s", "late_s"), [(0.0, 0.004, 0.008), (0.06, 0.004, 0.004)])
def test_what_frames_led_to_is_done_when_it_is_due(ahead_s: float, work_s: float, late_s: float) -> None:
    """Handed on ahead, the work on the frames makes little late; else every moment is late by it."""
    times = list(range(0, 1000, 3))
    wall = Wall()
    pace = Pace(1.0, wall.now, wall.sleep, ahead_s=ahead_s)
    done: list[tuple[float, int]] = []
    for piece in pace.chunks(frames(row(t) for t in times)):
        wall.now_s += work_s
        for clock_ns in piece.t_ns.tolist():
            pace.at(clock_ns, lambda at_ns=clock_ns: done.append((wall.now_s - 100.0, at_ns)))  # type: ignore[misc]
    pace.run_out()
    late = [at_s - (clock_ns - START_NS) / 1e9 for at_s, clock_ns in done]
    assert [clock_ns for _, clock_ns in done] == [START_NS + t * MS for t in times]
    assert min(late) >= -1e-6
    assert max(late[5:]) <= late_s + 1e-6
    assert (sorted(late)[len(late) // 2] < 1e-6) == bool(ahead_s)
    assert pace.worst_late_s == pytest.approx(max(late), abs=SHORTEST_S + 1e-6)


def test_what_waits_is_done_in_the_order_in_which_it_was_given_and_at_once_where_asked() -> None:
    wall = Wall()
    pace = Pace(1.0, wall.now, wall.sleep, ahead_s=1.0)
    (_,) = pace.chunks(frames([row(0), row(500)]))
    done: list[str] = []
    pace.at(START_NS + 500 * MS, lambda: done.append("first"))
    pace.at(START_NS + 100 * MS, lambda: done.append("second"))  # due before, but not its turn
    pace.at(START_NS, lambda: done.append("third"))
    assert done == []
    pace.run_out(at_once=True)
    assert (done, wall.now_s) == (["first", "second", "third"], 100.0)
    pace.at(START_NS, lambda: done.append("due"))
    assert done[3:] == ["due"]
    pace.at(START_NS + 500 * MS, lambda: done.append("last"))
    pace.run_out()
    assert (done[4:], wall.now_s) == (["last"], pytest.approx(100.5))


def test_the_end_of_a_run_waits_for_no_end_of_a_pause() -> None:
    wall = Wall()
    pace = Pace(1.0, wall.now, wall.sleep, paused=lambda: wall.now_s > 100.0, ahead_s=1.0)
    (_,) = pace.chunks(frames([row(0), row(500)]))
    done: list[float] = []
    pace.at(START_NS + 500 * MS, lambda: done.append(wall.now_s))
    pace.run_out()
    assert done == [pytest.approx(100.5)]


def test_how_late_most_were() -> None:
    lateness = Lateness()
    assert (lateness.count, lateness.worst_s, lateness.within_s(0.99)) == (0, 0.0, 0.0)
    for late_ms in [*[0.12] * 98, 7.3, 2500.0]:
        lateness.note(late_ms / 1e3)
    lateness.note(-0.001)
    assert (lateness.count, lateness.worst_s) == (101, 2.5)
    assert lateness.within_s(0.5) == pytest.approx(0.15e-3)
    assert lateness.within_s(0.985) == pytest.approx(7.35e-3)
    assert lateness.within_s(1.0) == 2.5


def test_the_silence_of_a_pause_is_none_of_the_vehicles() -> None:
    wall = Wall()
    pace = Pace(1.0, wall.now, wall.sleep, lambda: 100.1 <= wall.now_s < 160)
    until = [
        piece.coverage[0].until_ns
        for piece in pace.chunks(frames(row(t) for t in range(0, 400, 10)))
        if piece.coverage and piece.coverage[0].until_ns is not None
    ]
    assert max(np.diff(until)) <= (TICK_S + SHORTEST_S) * 1e9


@pytest.mark.parametrize(
    ("counts", "waited_s", "last"),
    [
        ([0], 2.0, 0),  # nobody comes
        ([3], 0.3, 3),
        ([0] * 10 + [1] * 5 + [4], 15 * TICK_S + 0.3, 4),
        (list(range(1000)), 2.0, 100),  # it never settles
    ],
)
def test_waiting_until_a_count_has_settled(counts: list[int], waited_s: float, last: int) -> None:
    wall = Wall()
    asked = iter(counts)
    newest = [0]

    def count() -> int:
        newest[0] = next(asked, newest[0])
        return newest[0]

    assert wait_until_settled(count, 2.0, wall.now, wall.sleep) == pytest.approx(last, abs=1)
    assert wall.now_s - 100.0 == pytest.approx(waited_s, abs=2 * TICK_S)


def test_no_wait_where_none_is_wanted() -> None:
    wall = Wall()
    assert wait_until_settled(lambda: 0, 0.0, wall.now, wall.sleep) == 0
    assert wall.slept == []
