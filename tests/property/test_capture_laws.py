"""The cut law over captures: whatever they are cut into and however they are read, the same comes of it."""

from __future__ import annotations

import io
import json
import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canmap.engine.engine import Engine
from canmap.frames.merge import MergedCaptures
from canmap.frames.text.log import TextLog
from canmap.frames.window import Window
from canmap.results.inspection import conclude
from tests.cutting import moment, of_records, told
from tests.eventful import eventful, modal
from tests.streams import CART, MS, ROOT, START_NS, VEHICLE, spec_of, streams

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import FrameSource

SPANS = [(0.0, math.inf), (0.0, 0.3), (0.02, math.inf), (0.1, 2.0), (1.0, 4.0)]


def lines_of(chunk: FrameChunk) -> list[bytes]:
    """Its data frames as lines of a text log."""
    return [
        f"({t // 10**9}.{t % 10**9:09d}) {chunk.channels[channel]} "
        f"{can_id:0{8 if extended else 3}X}#{bytes(payload[:length]).hex().upper()}\n".encode()
        for t, channel, can_id, extended, length, payload in zip(
            chunk.t_ns.tolist(), chunk.channel.tolist(), chunk.can_id.tolist(), chunk.extended.tolist(),
            chunk.length.tolist(), chunk.payload, strict=True,
        )
    ]  # fmt: skip


def source_of(texts: list[bytes], size: int) -> FrameSource:
    """Captures with these texts, read in blocks of about `size` bytes."""

    def sizes() -> Iterator[int]:
        while True:
            yield size

    logs = [
        TextLog(f"{number}.log", io.BufferedReader(io.BytesIO(text)), sizes=sizes())
        for number, text in enumerate(texts)
    ]
    return logs[0] if len(logs) == 1 else MergedCaptures(logs)


def read(texts: list[bytes], size: int, span_s: tuple[float, float] = SPANS[0], path: Path = CART) -> tuple:
    """JSON, records and events of captures, as `told` tells them of chunks."""
    source, window = source_of(texts, size), Window.of(span_s)
    spec = spec_of(path)
    engine = Engine(spec)
    engine.session.go_on_from(lambda: window.before)
    kept: dict[str, list] = {rule.name: [] for rule in spec.records}
    events = []
    try:
        for prepared in engine.prepared(window.cut(piece() for piece in source.pieces())):
            step = engine.fold(prepared)
            events += step.events
            for records in step.records:
                kept[records.name].append(records)
    finally:
        source.close()
    if engine.frames:
        events += engine.finish().events
    result = conclude(engine, ("test",), kept)
    return json.dumps(result.to_json()), of_records(result.records), sorted(map(moment, events))


def without_lines(told_of: tuple) -> tuple:
    """JSON and records without the numbers of lines, which count anew in each capture.

    What is told on the way is left out: of a channel that is in no capture, it is told at the end only.
    """
    inspection = json.loads(told_of[0])
    for finding in inspection["findings"]:
        finding["line"] = None
    return inspection, told_of[1]


@given(st.data())
def test_however_several_captures_are_read_the_same_comes_of_them(data: st.DataObject) -> None:
    count = data.draw(st.integers(2, 4))
    texts = []
    for _ in range(count):
        chunk = data.draw(streams())
        chunk.t_ns[:] += data.draw(st.sampled_from([0, 20 * MS, 110 * MS, 1500 * MS]))
        texts.append(b"".join(lines_of(chunk)) or b"bad line\n")
    span_s = data.draw(st.sampled_from(SPANS))
    size = data.draw(st.sampled_from([1, 60, 200, 1000]))
    assert read(texts, size, span_s) == read(texts, 1 << 20, span_s)


@settings(max_examples=20)
@given(st.data())
def test_one_recording_in_several_captures_is_one_session(data: st.DataObject) -> None:
    """Cut where its frames are at most 100 ms apart, as a recorder does that begins its next file."""
    whole = eventful().take(slice(0, 900))  # before its clock steps, which no second file could tell of
    lines = lines_of(whole)
    close = [i for i in range(1, len(lines)) if whole.t_ns[i] - whole.t_ns[i - 1] <= 100 * MS]
    cuts = sorted(set(data.draw(st.lists(st.sampled_from(close), min_size=1, max_size=6))))
    texts = [b"".join(lines[start:stop]) for start, stop in zip([0, *cuts], [*cuts, len(lines)], strict=True)]
    size = data.draw(st.sampled_from([300, 5000, 1 << 20]))
    span_s = data.draw(st.sampled_from(SPANS))
    assert without_lines(read(texts, size, span_s)) == without_lines(read([b"".join(lines)], 1 << 20, span_s))


@given(st.data())
def test_any_window_is_the_same_however_the_frames_are_cut(data: st.DataObject) -> None:
    path = data.draw(st.sampled_from([CART, VEHICLE]))
    text = b"".join(lines_of(data.draw(streams(path)))) or b"bad line\n"
    begin = data.draw(st.sampled_from([0.0, 0.01, 0.3, 2.0]))
    span_s = (begin, begin + data.draw(st.sampled_from([0.02, 0.5, 3.0, math.inf])))
    assert read([text], data.draw(st.sampled_from([1, 100, 700])), span_s, path) == read(
        [text], 1 << 20, span_s, path
    )


@pytest.mark.deep
@pytest.mark.parametrize("capture", sorted((ROOT / "captures").glob("*.log")), ids=lambda path: path.stem)
def test_a_cut_before_every_frame_of_a_whole_drive(capture: Path) -> None:
    source = source_of([capture.read_bytes()], 1 << 20)
    chunks = [piece() for piece in source.pieces()]
    source.close()
    assert told([one for chunk in chunks for one in chunk.split(range(len(chunk) + 1))]) == told(chunks)


@pytest.mark.parametrize(("whole", "path"), [(eventful(), CART), (modal(), VEHICLE)], ids=["drive", "modes"])
def test_a_capture_for_every_few_frames(whole: FrameChunk, path: Path) -> None:
    lines = lines_of(whole.take(whole.t_ns < START_NS + 3000 * MS))
    texts = [b"".join(lines[start : start + 40]) for start in range(0, len(lines), 40)]
    assert without_lines(read(texts, 1 << 20, path=path)) == without_lines(
        read([b"".join(lines)], 1 << 20, path=path)
    )
