"""A span of a capture: half open, counted from the first frame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from canmap.api.inspect import inspect
from canmap.base.errors import UsageError
from canmap.cli.options import span
from canmap.frames.chunks import BadLine, FrameChunk, join
from canmap.frames.unread import as_unread
from canmap.frames.window import Window
from tests.kits import TICK, of_kind, row, span_ms, spec_of
from tests.streams import START_NS, frames

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from canmap.results.inspection import Inspection


class Given:
    """Given chunks, and how many of them were read."""

    def __init__(self, *chunks: FrameChunk) -> None:
        self.read = 0
        self._chunks = chunks

    def chunks(self) -> Iterator[FrameChunk]:
        for chunk in self._chunks:
            self.read += 1
            yield chunk


def cut(source: Given, from_s: float = 0.0, to_s: float = math.inf) -> FrameChunk:
    return join(Window(from_s, to_s).cut(source.chunks()))


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
    bad = tuple(BadLine(position, "given.log", 10 + position, as_unread("cut")) for position in range(5))
    source = Given(FrameChunk(**{name: getattr(chunk, name) for name in (
        "channels", "t_ns", "channel", "can_id", "extended", "kind", "flags", "length", "payload", "line")},
        bad=bad, bad_count=5))  # fmt: skip
    part = cut(source, 0.1, 0.3)
    # Frames 1 and 2 are inside, and the lines after each of them.
    assert [(line.position, line.line) for line in part.bad] == [(1, 12), (2, 13)]
    assert part.bad_count == 2


def test_reading_ends_soon_after_the_span() -> None:
    chunks = [frames([row(1000 * i), row(1000 * i + 10)]) for i in range(100)]
    source = Given(*chunks)
    assert times_ms(cut(source, 1.0, 2.5)) == [1000, 1010, 2000, 2010]
    assert source.read == 4


def test_without_a_span_the_chunks_are_used_as_they_are() -> None:
    chunks = [frames([row(0)]), frames([row(5)])]
    assert all(got is given for got, given in zip(Window().cut(chunks), chunks, strict=True))


def stepping() -> FrameChunk:
    """A frame each 100 ms for 2 s; then the stamps step back to 0.5 s, and 2 s more."""
    return frames(row(t) for t in [*range(0, 2000, 100), *range(500, 2500, 100)])


@pytest.mark.parametrize("points", [[], [20], [10, 25], list(range(41))])
@pytest.mark.parametrize(
    ("from_s", "to_s", "first", "last"),  # the step is at 1.9 s, where the clock holds; 2.0 s is frame 21
    [(0.0, 1.0, 0, 10), (1.0, 2.0, 10, 21), (2.0, math.inf, 21, 40), (3.0, 3.5, 31, 36)],
)
def test_over_a_step_of_the_clock_a_span_is_one_of_the_session_clock(
    points: list[int], from_s: float, to_s: float, first: int, last: int
) -> None:
    lines = cut(Given(*stepping().split(points)), from_s, to_s).line
    assert lines.tolist() == list(range(first + 1, last + 1))


def test_a_part_after_a_step_keeps_the_times_of_the_whole(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK, periods_ms={256: 100})
    rows = [row(t) for t in [*range(0, 2000, 100), *range(500, 2500, 100)] if t not in {2100, 2200, 2300}]
    rows += [row(t) for t in range(3900, 5000, 100)]  # the stamps have caught up: 3.9 s follows 3.8 s
    log = tmp_path / "step.log"
    log.write_text("".join(f"({t / 1e9:.6f}) can0 100#0000000000000000\n" for t, *_ in rows), "ascii")
    whole, part = (inspect(log, spec, span_s=span) for span in [(0.0, math.inf), (2.0, math.inf)])

    def silences(result: Inspection) -> list[tuple[float, float]]:
        return [span_ms(result, finding) for finding in of_kind(result, "stale")]

    # Stamps of 2.0 s and 2.4 s are 3.4 s and 3.8 s of the session, as 0.5 s is 1.9 s.
    assert silences(part) == silences(whole) == [(3400, 3800)]


@pytest.mark.parametrize(
    ("from_s", "to_s", "sentence"),
    [
        (math.nan, None, "--from nan is not a time"),
        (None, math.nan, "--to nan is not a time"),
        (-1.0, None, "--from -1 is not a time"),
        (math.inf, None, "--from inf is not a time"),
        (1e300, None, "--from 1e\\+300 is not a time"),
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
