"""Several captures are one session: order, nothing lost, and what is covered, against plain loops."""

import io
import random
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.frames.chunks import LONGEST_BREAK_NS, Coverage, FrameChunk
from canmap.frames.merge import MergedCaptures
from canmap.frames.session import HELD_BACK_NS, LARGEST_GAP_NS
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


def plain_clock(stamps: list[int]) -> list[int]:
    """The session clock at each stamp, as it is defined."""
    clock: list[int] = []
    offset = 0
    for stamp in stamps:
        now = clock[-1] if clock else stamp
        if offset and -HELD_BACK_NS <= stamp - now <= LARGEST_GAP_NS:
            offset = 0
        if not -HELD_BACK_NS <= stamp + offset - now <= LARGEST_GAP_NS:
            offset = now - stamp
        clock.append(max(now, stamp + offset))
    return clock


def plain_coverage(rows: list[Row], count: int) -> list[Coverage]:
    """Return the coverage of the last of the first `count` merged rows, gone through one by one."""
    clock = plain_clock([row.t_ns for row in rows])
    last = {row.capture: place for place, row in enumerate(rows)}
    begun: dict[int, int] = {}
    since: dict[str, int] = {}
    until: dict[str, int] = {}
    listening: dict[str, set[int]] = {}
    for place, row in enumerate(rows[:count]):
        start = begun.setdefault(row.capture, clock[place])
        recorders = listening.setdefault(row.channel, set())
        if not recorders and start - until.get(row.channel, -LONGEST_BREAK_NS - 1) > LONGEST_BREAK_NS:
            since[row.channel] = start
        recorders.add(row.capture)
        if place == last[row.capture] and place + 1 < count:
            for channel, others in listening.items():
                if row.capture in others:
                    others.discard(row.capture)
                    until[channel] = clock[place]
    return [
        Coverage(channel, since[channel], None if recorders else until[channel], len(recorders))
        for channel, recorders in sorted(listening.items())
    ]


def merged(found: list[list[tuple[int, str]]], sizes: list[int]) -> list[FrameChunk]:
    every = [iter(sizes + sizes[-1:] * 2000) for _ in found]
    source = MergedCaptures(
        [
            TextLog(f"{number}.log", io.BufferedReader(io.BytesIO(text_of(rows))), sizes=size)
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
            spans = sorted(chunk.coverage, key=lambda one: one.channel)
            if len(chunk):
                assert spans == plain_coverage(rows, count)
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
    nothing = [(0, "")] if any(channel for lines in found for _, channel in lines) else []
    expected = [
        (c, n if lines else 0)  # of a capture without a frame no line is named
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
