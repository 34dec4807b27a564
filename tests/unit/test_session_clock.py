"""The session clock: what jitter, steps and their end do to it."""

from __future__ import annotations

import numpy as np
import pytest

from canmap.frames.session import STEPS_KEPT, SessionClock, TimeStep
from tests.streams import MS

HOUR_MS = 3_600_000


def advanced(*chunks_ms: list[float]) -> tuple[list[float], SessionClock]:
    """The clock in ms at every stamp in ms, and the clock itself."""
    session = SessionClock()
    clock: list[float] = []
    for chunk in chunks_ms:
        stamps = np.array([round(t * MS) for t in chunk], np.int64)
        clock += (session.advance(stamps) / MS).tolist()
    return clock, session


def steps_ms(session: SessionClock) -> list[tuple[float, float | None, float, int]]:
    return [
        (s.start_ns / MS, None if s.end_ns is None else s.end_ns / MS, s.step_ns / MS, s.count)
        for s in session.steps
    ]


def test_jitter_holds_the_clock() -> None:
    # 90 is 10 ms before 100 and 70 is 50 ms before 120: the clock waits, and nothing has stepped.
    clock, session = advanced([0, 100, 90, 120, 70, 130])
    assert clock == [0, 100, 100, 120, 120, 130]
    assert session.steps == []


def test_a_stamp_more_than_50_ms_back_is_a_step() -> None:
    clock, session = advanced([0, 1000, 949])
    assert clock == [0, 1000, 1000]
    assert steps_ms(session) == [(1000, None, -51, 1)]
    # 959 is within 50 ms of the clock: caught up already, so the clock waits for the stamps again.
    clock, session = advanced([0, 1000, 949, 959, 1001])
    assert clock == [0, 1000, 1000, 1000, 1001]
    assert steps_ms(session) == [(1000, 1000, -51, 1)]


def test_after_a_step_back_the_clock_goes_on_from_where_it_was() -> None:
    # 1000 -> 700 is 300 ms back. From there on 300 ms are added: 700 -> 1000, 710 -> 1010, 730 -> 1030.
    clock, session = advanced([0, 1000, 700, 710, 730])
    assert clock == [0, 1000, 1000, 1010, 1030]
    assert steps_ms(session) == [(1000, None, -300, 1)]


def test_a_gap_of_an_hour_is_a_silence_and_more_is_a_step() -> None:
    clock, session = advanced([0, HOUR_MS])
    assert (clock, session.steps) == ([0, HOUR_MS], [])
    # One ms more: the clock stays where it was, and goes on by what follows.
    clock, session = advanced([0, HOUR_MS + 1, HOUR_MS + 11])
    assert clock == [0, 0, 10]
    assert steps_ms(session) == [(0, None, HOUR_MS + 1, 1)]


def test_the_offset_goes_when_the_stamps_catch_up() -> None:
    # Back by 600 at clock 1000, 100 ms on (clock 1100), then the recorder's clock is set right again: 1600
    # is no step for a clock at 1100, so the offset has done its work and the clock is the stamp.
    clock, session = advanced([0, 1000, 400, 500, 1600, 1610])
    assert clock == [0, 1000, 1000, 1100, 1600, 1610]
    assert steps_ms(session) == [(1000, 1600, -600, 1)]


def test_a_permanent_offset_is_one_step_that_stays_open() -> None:
    clock, session = advanced([0, 1000], [float(t) for t in range(0, 500, 10)])
    assert clock[2:] == [1000 + t for t in range(0, 500, 10)]
    assert steps_ms(session) == [(1000, None, -1000, 1)]


def test_steps_before_catching_up_are_one_with_a_count() -> None:
    # 1000 -> 400 (600 back), 400 -> 100 (300 back): the clock holds at 1000 both times.
    clock, session = advanced([0, 1000, 400, 100, 110])
    assert clock == [0, 1000, 1000, 1000, 1010]
    assert steps_ms(session) == [(1000, None, -600, 2)]


def test_steps_are_capped_and_counted_in_full() -> None:
    # Each round steps back by 500 ms and is set right 10 ms later; 25 rounds, of which 20 are listed.
    stamps: list[float] = []
    for i in range(25):
        stamps += [i * 2000, i * 2000 + 1000, i * 2000 + 500]
    _, session = advanced(stamps)
    assert len(session.steps) == STEPS_KEPT == 20
    assert [step.count for step in session.steps] == [1] * 19 + [6]


@pytest.mark.parametrize("cut", range(7))
def test_cutting_changes_nothing(cut: int) -> None:
    stamps = [0, 1000, 400, 500, 1600, 1610]
    whole, pieces = advanced(stamps), advanced(stamps[:cut], [], stamps[cut:])
    assert pieces[0] == whole[0]
    assert pieces[1].steps == whole[1].steps


def test_an_empty_chunk_before_the_first_frame_leaves_it_unset() -> None:
    _, session = advanced([])
    assert session.start_ns is None


def test_a_step_is_plain_data() -> None:
    assert TimeStep(1, None, -2) == TimeStep(1, None, -2, 1)
