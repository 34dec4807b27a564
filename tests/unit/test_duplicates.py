"""Frames recorded twice: found across any cut, left out of all else; a true repetition never is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.findings.finding import Severity
from canmap.frames.chunks import (
    CLASSIC_WIDTH,
    FD_WIDTH,
    FLAG_BIT_RATE_SWITCH,
    FLAG_FD,
    FLAG_RECEIVED,
    FLAG_SENT,
    FrameChunk,
    FrameKind,
    empty_chunk,
)
from canmap.signals.shortest import shortest_ns
from tests.kits import HEAD, TICK, of_kind, row, serious, span_ms, spec_of
from tests.published import table
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec

# At 500 kbit/s, 8 bytes and an 11-bit identifier: 44 + 64 = 108 bits from start to end of frame without any
# stuff bit, 2 us each: 0.216 ms.
SHORTEST_MS = 0.216
WITH_RATE = HEAD.replace("can0}", "can0, bit_rate: 500 kbit/s}")
RECORD = (
    "record_types: {Own: {fields: {value: {kind: int}}}}\n"
    "records: {own: {type: Own, stamp: Tick, value: Tick.Value}}\n"
)


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK, RECORD, periods_ms={256: 10}, head=WITH_RATE)


def doubled(later_ms: float, data: bytes = bytes(8)) -> FrameChunk:
    """Tick every 10 ms for a second, the frames from 300 to 340 ms a second time, a little later."""
    rows = [row(t) for t in range(0, 1001, 10)] + [row(t + later_ms, data=data) for t in range(300, 341, 10)]
    return frames(sorted(rows, key=lambda one: one[0]))


def test_a_frame_that_came_twice(spec: Spec) -> None:
    chunk = doubled(0.1)
    for pieces in ([chunk], chunk.split(range(1, len(chunk)))):
        result, _ = inspected(pieces, spec)
        (finding,) = serious(result)
        assert (finding.kind, finding.severity) == ("duplicate", Severity.WARNING)
        assert (finding.count, finding.place.bus, finding.value) == (5, "drive", pytest.approx(0.0001))
        assert span_ms(result, finding) == pytest.approx((300.1, 350))
        assert finding.line == 32
        assert finding.text == (
            "5 frames of channel can0 came twice, as little as 0.1 ms apart, "
            "sooner than the bus can send it again; the second is not used."
        )
        assert result.record_summaries["own"].count == result.messages[0].count == 101
        assert result.capture.frames == 106


def test_the_same_capture_twice_came_twice_to_its_end(spec: Spec) -> None:
    chunk = frames(row(t) for t in np.repeat(range(0, 1001, 10), 2))
    for pieces in ([chunk], chunk.split(range(1, len(chunk)))):
        result, _ = inspected(pieces, spec)
        (finding,) = of_kind(result, "duplicate")
        assert (span_ms(result, finding), finding.open, finding.count) == ((0, 1000), True, 101)


@pytest.mark.parametrize(("later_ms", "found"), [(SHORTEST_MS - 0.001, 5), (SHORTEST_MS, 0), (0, 5)])
def test_sooner_than_it_takes_to_send(spec: Spec, later_ms: float, found: int) -> None:
    result, _ = inspected([doubled(later_ms)], spec)
    assert sum(finding.count for finding in of_kind(result, "duplicate")) == found
    assert result.messages[0].count == 106 - found


def test_not_identical(spec: Spec) -> None:
    assert of_kind(inspected([doubled(0.1, b"\x01" + bytes(7))], spec)[0], "duplicate") == []
    assert of_kind(inspected([doubled(0.1, bytes(7))], spec)[0], "duplicate") == []
    for column, value in (("extended", True), ("kind", FrameKind.REMOTE), ("flags", FLAG_FD)):
        chunk = doubled(0.1)
        getattr(chunk, column)[31] = value
        assert sum(finding.count for finding in of_kind(inspected([chunk], spec)[0], "duplicate")) == 4


def test_sent_and_received_is_the_same_frame(spec: Spec) -> None:
    chunk = doubled(0.1)
    chunk.flags[::2] = FLAG_SENT
    chunk.flags[1::2] = FLAG_RECEIVED
    assert of_kind(inspected([chunk], spec)[0], "duplicate")[0].count == 5


def test_another_frame_between(spec: Spec) -> None:
    # On its own channel it parts the two; on another it does not.
    rows = [row(0), row(0.05, 0x123, b"\1"), row(0.1)]
    assert of_kind(inspected([frames(rows)], spec)[0], "duplicate") == []
    rows[1] = row(0.05, 0x123, b"\1", channel="can1")
    for pieces in ([frames(rows, ("can0", "can1"))], frames(rows, ("can0", "can1")).split([1, 2])):
        assert len(of_kind(inspected(pieces, spec)[0], "duplicate")) == 1


def test_at_a_cut_the_first_frame_alone_may_repeat_the_last_one_before_it(spec: Spec) -> None:
    # The frame at 10 ms has the identifier of the one before it and is new; the one after it is not.
    chunk = frames([row(0), row(10, data=b"\1" + bytes(7)), row(10.1, data=b"\1" + bytes(7)), row(20)])
    for at in range(1, len(chunk)):
        result, _ = inspected(chunk.split([at]), spec)
        assert [(f.count, f.line) for f in of_kind(result, "duplicate")] == [(1, 3)], at
        assert result.messages[0].count == 3


def test_no_bit_rate_no_judgement(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK, periods_ms={256: 10})
    assert of_kind(inspected([doubled(0)], spec)[0], "duplicate") == []


def of_example(line: dict[str, str], width: int) -> FrameChunk:
    chunk = empty_chunk(("can0",), 1, width)
    data = bytes.fromhex(line["data_hex"])
    chunk.can_id[0], chunk.extended[0] = int(line["can_id_hex"], 16), line["extended"] == "1"
    chunk.length[0] = len(data)
    chunk.payload[0, : len(data)] = np.frombuffer(data, np.uint8)
    return chunk


def test_published_lengths_of_classic_frames() -> None:
    """Exact lengths worked out bit by bit; less their stuff bits they are what is counted here."""
    lines = table("classic_frames")
    for line in lines:
        chunk = of_example(line, CLASSIC_WIDTH)
        chunk.kind[0] = FrameKind.REMOTE if line["remote"] == "1" else FrameKind.DATA
        (shortest,) = shortest_ns(chunk, np.array([0]), 1_000_000, None) / 1000  # us, so bits
        assert shortest == int(line["bits"]) - int(line["stuff_bits"]), line["name"]
        # Two stamps rounded to 1 us each differ by 2 us at most from the true distance of a repetition.
        assert shortest + 2 < int(line["bits_with_intermission"])
    assert len(lines) == 20


@pytest.mark.parametrize(("kind", "bits"), [(FrameKind.REMOTE, 44), (FrameKind.DATA, 44 + 64)])
def test_a_remote_frame_carries_none_of_the_bytes_that_it_asks_for(kind: FrameKind, bits: int) -> None:
    """Of 11 bits, from start to end of frame, without a stuff bit: the first row of `classic_bounds`."""
    chunk = frames([row(0)])
    chunk.kind[0] = kind
    assert shortest_ns(chunk, np.array([0]), 1_000_000, None).tolist() == [bits * 1000]


def test_published_lengths_of_fd_frames() -> None:
    lines = table("fd_frames")
    pause_bits = 3
    for line in lines:
        chunk = replace(of_example(line, FD_WIDTH))
        chunk.flags[0] = FLAG_FD | FLAG_BIT_RATE_SWITCH
        stuff = int(line["stuff_bits"])
        slow_stuff = int(line["stuff_bits_at_nominal_rate"])
        slow = int(line["bits_at_nominal_rate_with_intermission"]) - slow_stuff - pause_bits
        fast = int(line["bits_at_data_rate"]) - (stuff - slow_stuff)
        (shortest,) = shortest_ns(chunk, np.array([0]), 500_000, 2_000_000) / 1000
        assert shortest == pytest.approx(slow * 2 + fast / 2), line["name"]
        assert shortest < float(line["time_us_500k_2M"])
        (at_least,) = shortest_ns(chunk, np.array([0]), 500_000, None) / 1000  # fast phase not known
        assert at_least == pytest.approx(slow * 2)
        chunk.flags[0] = FLAG_FD
        (all_slow,) = shortest_ns(chunk, np.array([0]), 1_000_000, None) / 1000
        assert all_slow == pytest.approx(slow + fast)
        assert all_slow < float(line["time_us_1M_1M"])
    assert len(lines) == 9


def test_a_channel_without_a_repeat_at_a_cut_does_not_hide_that_of_another(tmp_path: Path) -> None:
    head = WITH_RATE.replace("records", "records")
    two = head.rstrip("\n") + "\n  other: {description: kit.dbc, channel: can1, bit_rate: 500 kbit/s}\n"
    spec = spec_of(tmp_path, TICK, "", periods_ms={256: 10}, head=two)
    rows = [(*row(0)[:1], "can0", *row(0)[2:]), (*row(0.05)[:1], "can1", *row(0)[2:])]
    rows += [(*row(5)[:1], "can0", 0x101, bytes(8)), (*row(5.05)[:1], "can1", 0x102, bytes(8))]
    rows += [(*row(5.1)[:1], "can0", 0x103, bytes(8)), (*row(5.15)[:1], "can1", 0x102, bytes(8))]
    chunk = frames(rows, ("can0", "can1"))
    for pieces in ([chunk], chunk.split([4])):
        (finding,) = of_kind(inspected(pieces, spec)[0], "duplicate")
        assert (finding.place.bus, finding.count) == ("other", 1)
