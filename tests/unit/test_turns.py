"""Pieces that are prepared on a pool get what came before them, and wait for nobody who waits for them."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import CaptureError
from canmap.base.threads import Job, Pool
from canmap.engine.engine import Engine
from canmap.engine.intake import WORKERS, _Turns
from tests.eventful import eventful
from tests.streams import spec_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canmap.frames.chunks import FrameChunk
    from canmap.signals.prepared import Prepared


def late(piece: FrameChunk) -> Callable[[], FrameChunk]:
    def parse() -> FrameChunk:
        time.sleep(0.02)
        return piece

    return parse


def begun(pool: Pool, engine: Engine, pieces: Iterable[Callable[[], FrameChunk]]) -> list[Job[Prepared]]:
    """A job a piece, as the intake makes them."""
    turns = _Turns(engine)
    jobs = [Job(turns.task(piece)) for piece in pieces]
    for job in jobs:
        pool.submit(job.do)
    return jobs


@pytest.mark.parametrize("workers", [WORKERS, 4])
def test_what_comes_before_is_waited_for_however_long_each_takes(workers: int) -> None:
    whole = eventful()
    pieces = whole.split(range(100, len(whole), 100))
    ahead, in_turn = Engine(spec_of()), Engine(spec_of())
    with Pool(workers) as pool:
        parse = [late(piece) if n % 2 else lambda piece=piece: piece for n, piece in enumerate(pieces)]
        jobs = begun(pool, ahead, parse)
        found = [event for job in jobs for event in ahead.fold(job.result()).events]
    assert found == [event for one in in_turn.prepared(pieces) for event in in_turn.fold(one).events]


def test_a_piece_that_cannot_be_read_fails_for_those_behind_it_too() -> None:
    def broken() -> FrameChunk:
        time.sleep(0.02)
        raise CaptureError("it ends here")

    piece = eventful()
    with Pool(WORKERS) as pool:
        for job in begun(pool, Engine(spec_of()), (broken, late(piece), late(piece))):
            with pytest.raises(CaptureError, match="it ends here"):
                job.result()


def test_a_pool_that_is_given_up_ends() -> None:
    pool, piece = Pool(WORKERS), eventful()
    began = time.monotonic()
    jobs = begun(pool, Engine(spec_of()), [late(piece)] * 200)
    pool.shutdown(wait=True, cancel_futures=True)
    assert not jobs[-1].is_done()
    assert time.monotonic() - began < 60
