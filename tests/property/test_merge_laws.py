"""Several captures are one session: order, nothing lost, and what is covered, against plain loops."""

import io
import random
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.chunks import LONGEST_BREAK_NS, Coverage, FrameChunk
from canmap.frames.merge import MergedCaptures
from canmap.frames.text.log import TextLog

UNIT_NS = 20_000_000  # so that steps reach over the longest break that counts as covered


@dataclass(frozen=True)
class Row:
    """One frame of one capture; `newest_ns` is the running maximum of the capture's stamps."""

    newest_ns: int
    capture: int
    line: int
    t_ns: int
    channel: str


@st.composite
def captures(draw: st.DrawFn) -> list[list[tuple[int, str]]]:
    """Two or three captures of (stamp in units, channel), "" for a bad line; some stamps step back."""
    found = []
    for _ in range(draw(st.integers(2, 3))):
        start = draw(st.integers(0, 40))
        steps = draw(st.lists(st.sampled_from([0, 0, 1, 1, 2, 5, 12, -3]), max_size=30))
        names = draw(st.sampled_from([["can0"], ["can1"], ["can0", "can1"], ["can0"] * 9 + ["can2"]]))
        rng = random.Random(draw(st.integers(0, 1000)))
        rows = []
        for step in steps:
            start = max(0, start + step)
            rows.append((start, "" if rng.random() < 0.1 else rng.choice(names)))
        found.append(rows)
    return found


def text_of(rows: list[tuple[int, str]]) -> bytes:
    return b"".join(
        f"({at // 50}.{at % 50 * 2:02d}) {channel} 123#11\n".encode() if channel else b"bad\n"
        for at, channel in rows
    )


def plain_merge(found: list[list[tuple[int, str]]]) -> list[Row]:
    rows = []
    for capture, lines in enumerate(found):
        newest = -1
        for line, (at, channel) in enumerate(lines, 1):
            if channel:
                newest = max(newest, at)
                rows.append(Row(newest * UNIT_NS, capture, line, at * UNIT_NS, channel))
    return sorted(rows, key=lambda row: (row.newest_ns, row.capture, row.line))


def plain_coverage(rows: list[Row], count: int) -> list[Coverage]:
    """Return the coverage when the first `count` of the merged rows have come."""
    come = rows[:count]
    newest_session = max(row.newest_ns for row in come)
    covered = []
    for channel in {row.channel for row in come}:
        spans = []
        for capture in {row.capture for row in come if row.channel == channel}:
            own = [row.newest_ns for row in rows if row.capture == capture]
            ended = all(row.capture != capture for row in rows[count:])
            spans.append((own[0], own[-1] if ended else newest_session))
        until = max(stop for _, stop in spans)
        # The earliest start from which on every instant up to the end lies in some span, or in a short break.
        since = min(
            start
            for start, _ in spans
            if all(covers(spans, t) for t in range(start, until + 1, UNIT_NS // 2))
        )
        covered.append(Coverage(channel, since, until))
    return sorted(covered, key=lambda one: one.channel)


def covers(spans: list[tuple[int, int]], at_ns: int) -> bool:
    """Whether an instant lies in a span, or between two that are no more than the longest break apart."""
    ended = max((stop for start, stop in spans if start <= at_ns), default=-LONGEST_BREAK_NS)
    begins = min((start for start, _ in spans if start >= at_ns), default=2**62)
    return at_ns <= ended or begins - ended <= LONGEST_BREAK_NS


def merged(found: list[list[tuple[int, str]]], sizes: list[int]) -> list[FrameChunk]:
    every = [iter(sizes + sizes[-1:] * 2000) for _ in found]
    source = MergedCaptures(
        [
            TextLog(f"{number}.log", io.BufferedReader(io.BytesIO(text_of(rows))), 1, sizes=size)
            for number, (rows, size) in enumerate(zip(found, every, strict=True))
        ]
    )
    chunks = [piece() for piece in source.pieces()]
    source.close()
    return chunks


@given(captures(), st.lists(st.sampled_from([1, 30, 77, 200, 5000]), min_size=1, max_size=3))
def test_merge(found: list[list[tuple[int, str]]], sizes: list[int]) -> None:
    chunks = merged(found, sizes)
    rows = plain_merge(found)
    got = [
        (t_ns, chunk.channels[channel], line)
        for chunk in chunks
        for t_ns, channel, line in zip(
            chunk.t_ns.tolist(), chunk.channel.tolist(), chunk.line.tolist(), strict=True
        )
    ]
    assert got == [(row.t_ns, row.channel, row.line) for row in rows]

    count = 0
    firsts = {min(i for i, row in enumerate(rows) if row.capture == c) for c in {row.capture for row in rows}}
    lasts = {
        max(i for i, row in enumerate(rows) if row.capture == c) + 1 for c in {row.capture for row in rows}
    }
    bounds = {0}
    for chunk in chunks:
        assert chunk.coverage is not None
        count += len(chunk)
        bounds.add(count)
        if count:
            spans = [replace(span, recorders=1) for span in chunk.coverage]
            assert sorted(spans, key=lambda one: one.channel) == plain_coverage(rows, count)
    assert firsts <= bounds
    assert lasts <= bounds


@given(captures(), st.lists(st.sampled_from([1, 30, 200, 5000]), min_size=1, max_size=3))
def test_bad_lines_stay_between_the_frames_of_their_capture(
    found: list[list[tuple[int, str]]], sizes: list[int]
) -> None:
    rows = plain_merge(found)
    before = 0
    seen = []
    for chunk in merged(found, sizes):
        assert chunk.bad_count == len(chunk.bad)
        assert [bad.position for bad in chunk.bad] == sorted(bad.position for bad in chunk.bad)
        for bad in chunk.bad:
            place = before + bad.position
            capture = int(bad.capture.removesuffix(".log"))
            seen.append((capture, bad.line))
            assert all(row.line < bad.line for row in rows[:place] if row.capture == capture)
            assert all(row.line > bad.line for row in rows[place:] if row.capture == capture)
        before += len(chunk)
    nothing = (
        [(0, "")] if any(channel for lines in found for _, channel in lines) else []
    )  # told of as line 1
    expected = [
        (c, n)
        for c, lines in enumerate(found)
        for n, (_, channel) in enumerate(lines or nothing, 1)
        if not channel
    ]
    assert sorted(seen) == expected
    assert all(
        [n for c, n in seen if c == capture] == sorted(n for c, n in seen if c == capture)
        for capture in range(3)
    )


@pytest.mark.parametrize("cut", [1, 100, 5000])
def test_single_capture_merged_is_the_capture(cut: int) -> None:
    rows = [(ms, "can0") for ms in range(100)]
    chunks = merged([rows, []], [cut])
    assert [t for chunk in chunks for t in chunk.t_ns.tolist()] == [ms * UNIT_NS for ms, _ in rows]
