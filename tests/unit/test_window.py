"""A span of a capture: half open, counted from the first frame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from canmap.chunks import BadLine, FrameChunk, join
from canmap.cli.options import span
from canmap.errors import UsageError
from canmap.frames.window import Window
from tests.kits import row
from tests.streams import START_NS, frames

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.source import Piece


class Given:
    """A source of given chunks that counts how many were parsed."""

    def __init__(self, *chunks: FrameChunk) -> None:
        self.captures = ("given.log",)
        self.parsed = 0
        self._chunks = chunks

    def pieces(self) -> Iterator[Piece]:
        for chunk in self._chunks:
            yield lambda chunk=chunk: self._parse(chunk)  # type: ignore[misc]

    def _parse(self, chunk: FrameChunk) -> FrameChunk:
        self.parsed += 1
        return chunk

    def close(self) -> None:
        """Nothing is open."""


def cut(source: Given, from_s: float = 0.0, to_s: float = math.inf) -> FrameChunk:
    return join([piece() for piece in Window(from_s, to_s).cut(source.pieces())])


def times_ms(chunk: FrameChunk) -> list[float]:
    return ((chunk.t_ns - START_NS) / 1e6).tolist()


@pytest.mark.parametrize(
    ("from_s", "to_s", "left"),
    [
        (0.0, math.inf, [0, 100, 200, 300]),
        (0.1, math.inf, [100, 200, 300]),  # the begin is inside
        (0.0, 0.2, [0, 100]),  # the end is not
        (0.1, 0.3, [100, 200]),
        (0.101, 0.2, []),
        (5.0, math.inf, []),
    ],
)
@pytest.mark.parametrize("at", [0, 1, 2, 4])
def test_the_span_is_half_open(from_s: float, to_s: float, left: list[float], at: int) -> None:
    pieces = frames(row(t) for t in (0, 100, 200, 300)).split([at])
    assert times_ms(cut(Given(*pieces), from_s, to_s)) == left


def test_it_counts_from_the_first_frame_wherever_that_is() -> None:
    assert times_ms(cut(Given(frames([]), frames(row(t) for t in (50, 100, 150))), 0.05, 0.1)) == [100]


def test_bad_lines_outside_are_left_out() -> None:
    chunk = frames(row(t) for t in (0, 100, 200, 300))
    bad = tuple(BadLine(position, "given.log", 10 + position, "cut") for position in range(5))
    source = Given(FrameChunk(**{name: getattr(chunk, name) for name in (
        "channels", "t_ns", "channel", "can_id", "extended", "kind", "flags", "length", "payload", "line")},
        bad=bad, bad_count=5))  # fmt: skip
    part = cut(source, 0.1, 0.3)
    # Frames 1 and 2 are inside; lines before frame 1 and up to frame 3 stand beside them.
    assert [(line.position, line.line) for line in part.bad] == [(0, 11), (1, 12), (2, 13)]
    assert part.bad_count == 3


def test_reading_ends_soon_after_the_span() -> None:
    chunks = [frames([row(1000 * i), row(1000 * i + 10)]) for i in range(100)]
    source = Given(*chunks)
    assert times_ms(cut(source, 1.0, 2.5)) == [1000, 1010, 2000, 2010]
    assert source.parsed < 10


def test_without_a_span_the_source_is_used_as_it_is() -> None:
    source = Given(frames([row(0)]), frames([row(5)]))
    pieces = Window().cut(source.pieces())
    next(pieces)
    assert source.parsed == 0  # nothing is parsed to find a beginning that nobody asked for


@pytest.mark.parametrize(
    ("from_s", "to_s", "sentence"),
    [
        (math.nan, None, "--from nan is no time"),
        (None, math.nan, "--to nan is no time"),
        (-1.0, None, "--from -1 is no time"),
        (math.inf, None, "--from inf is no time"),
        (1e300, None, "--from 1e\\+300 is no time"),
        (5.0, 5.0, "--from 5 and --to 5 leave no time between them"),
        (5.0, 4.0, "--from 5 and --to 4 leave no time"),
        (None, 0.0, "--from 0 and --to 0 leave no time"),
    ],
)
def test_spans_that_are_none(from_s: float | None, to_s: float | None, sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        span(from_s, to_s)


def test_spans() -> None:
    assert span(None, None) == (0.0, math.inf)
    assert span(1.5, 3.0) == (1.5, 3.0)
