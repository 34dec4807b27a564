"""Arrivals and coverage: silence counts only where a recorder listened."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.findings.finding import Severity
from canmap.frames.chunks import Coverage, join
from tests.kits import TICK, of_kind, row, serious, span_ms, spec_of, told
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

CHANNELS = ("can0", "can1")
TWO = """\
vehicle: Test cart
buses:
  front: {description: kit.dbc, channel: can0}
  rear: {description: kit.dbc, channel: can1}
"""


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    """Two buses with one message each: every 10 ms, stale after 100 ms."""
    return spec_of(tmp_path, TICK, periods_ms={256: 10}, head=TWO)


def covered(rows: list, **spans_ms: tuple[float, float]) -> FrameChunk:
    """A chunk whose channels were listened to for the spans."""
    spans = tuple(
        Coverage(name, START_NS + round(since * MS), START_NS + round(until * MS))
        for name, (since, until) in spans_ms.items()
    )
    return replace(frames(sorted(rows), CHANNELS), coverage=spans)


def every_10_ms(begin: int, end: int, channel: str) -> list:
    return [row(t, channel=channel) for t in range(begin, end, 10)]


def test_a_recorder_that_stops_makes_nothing_stale(spec: Spec) -> None:
    rows = every_10_ms(0, 5000, "can0") + every_10_ms(0, 1000, "can1")
    result, _ = inspected([covered(rows, can0=(0, 4990), can1=(0, 990))], spec)
    assert told(serious(result)) == []


def test_what_one_recorder_did_not_cover_at_an_end_is_a_note(spec: Spec) -> None:
    rows = every_10_ms(0, 5000, "can0") + every_10_ms(2000, 4000, "can1")
    parts = [
        covered([r for r in rows if r[0] < START_NS + 2000 * MS], can0=(0, 1990)),
        covered([r for r in rows if r[0] >= START_NS + 2000 * MS], can0=(0, 4990), can1=(2000, 3990)),
    ]
    result, _ = inspected(parts, spec)
    notes = of_kind(result, "not_covered")
    assert [(note.severity, note.place.bus, span_ms(result, note)) for note in notes] == [
        (Severity.NOTE, "rear", (0, 2000)),
        (Severity.NOTE, "rear", (3990, 4990)),
    ]
    assert (
        notes[0].text == "No capture covers channel can1 for 2 s at the beginning; nothing is judged there."
    )


def test_a_sender_that_stops_while_it_is_listened_to_is_stale(spec: Spec) -> None:
    rows = every_10_ms(0, 5000, "can0") + every_10_ms(0, 1000, "can1")
    result, _ = inspected([covered(rows, can0=(0, 4990), can1=(0, 4990))], spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.place.bus, finding.open) == ("stale", "rear", True)
    assert span_ms(result, finding) == (990, 4990)  # from its last frame to the end of what is covered


def test_a_recorder_that_joins_later_makes_nothing_missing(spec: Spec) -> None:
    rows = every_10_ms(0, 3000, "can0")
    early = covered([r for r in rows if r[0] < START_NS + 2000 * MS], can0=(0, 1990))
    late = covered(
        [r for r in rows if r[0] >= START_NS + 2000 * MS] + every_10_ms(2050, 3000, "can1"),
        can0=(0, 2990), can1=(2000, 2990),
    )  # fmt: skip
    result, _ = inspected([early, late], spec)
    assert told(serious(result)) == []


def test_a_sender_that_begins_late_while_it_is_listened_to_is_missing(spec: Spec) -> None:
    rows = every_10_ms(0, 3000, "can0") + every_10_ms(2050, 3000, "can1")
    result, _ = inspected([covered(rows, can0=(0, 2990), can1=(0, 2990))], spec)
    (finding,) = serious(result)
    assert (finding.kind, finding.severity) == ("missing", Severity.WARNING)
    assert span_ms(result, finding) == (0, 2050)


def test_what_no_recorder_covered_counts_for_no_silence_no_rate_and_no_period(spec: Spec) -> None:
    # Nobody listened to can1 from 0.99 s to 3.00 s; it was there before and is there after.
    first = covered(every_10_ms(0, 1000, "can0") + every_10_ms(0, 1000, "can1"), can0=(0, 990), can1=(0, 990))
    between = covered(every_10_ms(1000, 3000, "can0"), can0=(0, 2990), can1=(0, 990))
    second = covered(
        every_10_ms(3000, 4500, "can0") + every_10_ms(3000, 4500, "can1"),
        can0=(0, 4490), can1=(3000, 4490),
    )  # fmt: skip
    result, _ = inspected([first, between, second], spec)
    (hole,) = serious(result)
    assert (hole.kind, hole.severity, hole.place.bus) == ("not_covered", Severity.WARNING, "rear")
    assert span_ms(result, hole) == (990, 3000)
    rear = next(message for message in result.messages if message.bus == "rear")
    assert rear.count == 250
    assert rear.period.longest_ns == 10 * MS


@pytest.mark.parametrize("told_of", [True, False])
def test_a_bus_without_a_channel_misses_its_messages(spec: Spec, told_of: bool) -> None:
    rows = every_10_ms(0, 1000, "can0")
    chunk = covered(rows, can0=(0, 990)) if told_of else frames(rows, CHANNELS)
    result, _ = inspected([chunk], spec)
    (missing,) = serious(result)
    assert (missing.place.bus, missing.place.message, span_ms(result, missing)) == ("rear", None, (0, 990))
    (tick,) = missing.parts
    assert (tick.place.bus, tick.place.message, span_ms(result, tick)) == ("rear", "Tick", (0, 990))


def test_a_single_capture_covers_each_channel_to_its_newest_stamp(spec: Spec) -> None:
    rows = every_10_ms(0, 1000, "can0") + every_10_ms(0, 500, "can1")
    result, _ = inspected([frames(sorted(rows), CHANNELS)], spec)
    (finding,) = of_kind(result, "stale")
    assert span_ms(result, finding) == (490, 990)


def test_a_growing_promise_alone_makes_a_silence(spec: Spec) -> None:
    # A silent bus sends empty chunks: the finding opens as soon as 100 ms are promised to hold nothing.
    begin = covered(every_10_ms(0, 100, "can0") + every_10_ms(0, 100, "can1"), can0=(0, 90), can1=(0, 90))
    chunks = [begin, *(covered([], can0=(0, t), can1=(0, t)) for t in (150, 190, 191, 400))]
    result, events = inspected(chunks, spec)
    opened = [type(event).__name__ for event in events if event.finding.kind == "stale"]
    assert opened == ["Opened", "Opened", "Closed", "Closed"]
    (gap,) = serious(result)
    assert [span_ms(result, part) for part in gap.parts] == [(90, 400)] * 2


def test_joined_chunks_are_covered_as_far_as_the_last() -> None:
    first, last = (covered(every_10_ms(t, t + 50, "can0"), can0=(0, t + 50)) for t in (0, 50))
    assert join([first, last]).coverage == last.coverage != first.coverage
