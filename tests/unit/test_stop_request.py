"""Ctrl-C as the end of a run: at once while a chunk is waited for, else after the one in hand."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pytest

from canmap.engine.run import StopRequest

if TYPE_CHECKING:
    from collections.abc import Iterator


def test_while_a_chunk_is_in_hand_it_is_the_last() -> None:
    stop, taken = StopRequest(), []
    with stop.listening():
        for chunk in stop.until(range(5)):
            if chunk == 2:
                signal.raise_signal(signal.SIGINT)
            taken.append(chunk)
    assert (taken, stop.asked) == ([0, 1, 2], True)


def test_while_a_chunk_is_waited_for_none_follows() -> None:
    def source() -> Iterator[int]:
        yield from (0, 1)
        signal.raise_signal(signal.SIGINT)
        yield 2

    stop = StopRequest()
    with stop.listening():
        assert list(stop.until(source())) == [0, 1]
    assert stop.asked


def test_a_second_one_ends_the_program() -> None:
    stop = StopRequest()
    with stop.listening():
        for _ in stop.until(range(5)):
            signal.raise_signal(signal.SIGINT)
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)


def test_without_one_every_chunk_is_taken() -> None:
    stop, before = StopRequest(), signal.getsignal(signal.SIGINT)
    with stop.listening():
        assert list(stop.until(range(3))) == [0, 1, 2]
    assert not stop.asked
    assert signal.getsignal(signal.SIGINT) is before


def test_what_is_done_in_a_wait_is_finished_and_ends_it() -> None:
    stop, done = StopRequest(), []

    def source() -> Iterator[int]:
        yield 0
        with stop.shield():
            signal.raise_signal(signal.SIGINT)
            done.append("finished")
        done.append("never")
        yield 1

    with stop.listening():
        assert list(stop.until(source())) == [0]
    assert (done, stop.asked) == (["finished"], True)
    with stop.shield():  # what is still to be done afterwards, is
        done.append("after")
    assert done == ["finished", "after"]
