"""Pieces that are prepared on a pool wait for what came before them, and never for what will not come."""

from __future__ import annotations

import time
from concurrent.futures import CancelledError
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import CaptureError
from canmap.base.threads import Pool
from canmap.engine.engine import Engine
from canmap.engine.intake import WORKERS, _Turns
from tests.eventful import eventful
from tests.streams import spec_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.frames.chunks import FrameChunk


def late(piece: FrameChunk) -> Callable[[], FrameChunk]:
    def parse() -> FrameChunk:
        time.sleep(0.02)
        return piece

    return parse


def test_what_comes_before_is_waited_for_however_long_each_takes() -> None:
    whole = eventful()
    pieces = whole.split(range(100, len(whole), 100))
    ahead, in_turn = Engine(spec_of()), Engine(spec_of())
    with Pool(WORKERS) as pool:
        turns = _Turns(ahead, pool)
        waiting = [
            turns.submit(late(piece) if number % 2 else lambda piece=piece: piece)
            for number, piece in enumerate(pieces)
        ]
        found = [event for task in waiting for event in ahead.fold(task.result(10)).events]
    assert found == [event for one in in_turn.prepared(pieces) for event in in_turn.fold(one).events]


def test_who_waits_for_a_piece_that_cannot_be_read_is_given_up() -> None:
    def broken() -> FrameChunk:
        time.sleep(0.02)
        raise CaptureError("it ends here")

    piece = eventful()
    with Pool(WORKERS) as pool:
        turns = _Turns(Engine(spec_of()), pool)
        first, *others = [turns.submit(parse) for parse in (broken, late(piece), late(piece))]
        with pytest.raises(CaptureError):
            first.result(10)
        for other in others:
            with pytest.raises(CancelledError):
                other.result(10)


def test_a_pool_that_is_given_up_ends() -> None:
    pool = Pool(WORKERS)
    turns = _Turns(Engine(spec_of()), pool)
    tasks = [turns.submit(late(eventful())) for _ in range(12)]
    pool.shutdown(wait=True, cancel_futures=True)
    assert all(task.done() for task in tasks)
