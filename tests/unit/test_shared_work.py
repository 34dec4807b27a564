"""Work that is shared: whoever would wait for a piece that is read ahead does one that nobody has begun."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest

from canmap.base.threads import Job
from canmap.engine import intake
from canmap.engine.intake import Intake
from tests.kits import row
from tests.streams import frames

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import Piece, Reached

PATIENCE_S = 20.0  # far more than it takes


def test_a_job_is_done_once_by_whoever_comes_first() -> None:
    done: list[int] = []
    job = Job(lambda: done.append(1))
    assert not job.is_done()
    assert [job.do(), job.do()] == [True, False]
    assert (done, job.is_done(), job.result()) == ([1], True, None)


def test_whoever_asks_for_a_result_first_has_to_do_the_job() -> None:
    assert Job(lambda: 7).result() == 7


def test_a_job_that_somebody_has_begun_is_left_to_them() -> None:
    begun, go_on = threading.Event(), threading.Event()

    def task() -> int:
        begun.set()
        assert go_on.wait(PATIENCE_S)
        return 7

    job = Job(task)
    other = threading.Thread(target=job.do)
    other.start()
    assert begun.wait(PATIENCE_S)
    assert not job.do()
    go_on.set()
    assert job.result() == 7
    other.join()


@pytest.mark.parametrize("kind", [ValueError, MemoryError])
def test_the_error_of_a_job_comes_with_its_result(kind: type[Exception]) -> None:
    def task() -> None:
        raise kind("odd")

    job = Job(task)
    assert job.do()
    with pytest.raises(kind, match="odd"):
        job.result()


def test_ctrl_c_within_a_job_does_not_wait() -> None:
    def task() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Job(task).do()


class HeldUp:
    """Pieces of one frame each; the first ends only when another thread has done the last."""

    captures = ("made",)
    live = False

    def __init__(self) -> None:
        self._last_done = threading.Event()
        self.helped = False

    def pieces(self) -> Iterator[Piece]:
        yield self._first
        yield lambda: frames([row(10)])
        yield self._last

    def _first(self) -> FrameChunk:
        self.helped = self._last_done.wait(PATIENCE_S)
        return frames([row(0)])

    def _last(self) -> FrameChunk:
        self._last_done.set()
        return frames([row(20)])

    def progress(self) -> Reached:
        return 0, None

    def close(self) -> None: ...


def test_whoever_waits_for_a_piece_does_those_that_nobody_has_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "WORKERS", 1)
    source = HeldUp()
    reading = Intake(source)
    try:
        stamps = [int(chunk.t_ns[0]) for chunk in reading.chunks()]
    finally:
        reading.close()
    assert source.helped
    assert stamps == sorted(stamps)
    assert len(stamps) == 3
