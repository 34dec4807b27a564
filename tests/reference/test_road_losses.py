"""Frames of a real recording lost, late or damaged: found as their kind, at their time, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.findings.finding import Severity
from tests.finding_numbers import lacking
from tests.reference.road import (
    BATCH_S,
    BODY,
    NAMES,
    PERIOD_S,
    STEER,
    WHEELS,
    Line,
    edited,
    inspect_lines,
    only,
    protected,
    recording,
    rows_of,
    serious,
    span,
    times_s,
    without,
)

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    return recording(shared)


@pytest.mark.parametrize("can_id", [STEER, WHEELS, BODY])
def test_message_dropped_for_a_while(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    result = inspect_lines(without(lines, {can_id}, 10.0, 10.4), tmp_path)
    finding = only(result, "stale", NAMES[can_id])
    start_s, end_s = span(result, finding)
    times = times_s(lines, can_id)
    assert start_s == pytest.approx(max(t for t in times if t < 10.0), abs=1e-6)
    assert end_s == pytest.approx(min(t for t in times if t >= 10.4), abs=1e-6)
    assert not finding.open
    assert finding.severity is Severity.ERROR


def test_message_gone_from_12_s_on(lines: list[Line], tmp_path: Path) -> None:
    result = inspect_lines(without(lines, {STEER}, 12.0, 99.0), tmp_path)
    finding = only(result, "stale", "SteerSensor")
    start_s, end_s = span(result, finding)
    assert start_s == pytest.approx(max(t for t in times_s(lines, STEER) if t < 12.0), abs=1e-6)
    assert end_s == pytest.approx(result.capture.duration_s, abs=1e-6)
    assert finding.open


def test_message_never_there(lines: list[Line], tmp_path: Path) -> None:
    result = inspect_lines(without(lines, {STEER}, 0.0, 99.0), tmp_path)
    finding = only(result, "missing", "SteerSensor")
    assert span(result, finding) == pytest.approx((0.0, result.capture.duration_s), abs=1e-6)
    assert finding.severity is Severity.ERROR
    assert finding.open


def test_message_late_at_the_start(lines: list[Line], tmp_path: Path) -> None:
    result = inspect_lines(without(lines, {WHEELS}, 0.0, 2.0), tmp_path)
    finding = only(result, "missing", "WheelSpeeds")
    first_s = min(t for t in times_s(lines, WHEELS) if t >= 2.0)
    assert span(result, finding) == pytest.approx((0.0, first_s), abs=1e-6)
    assert finding.severity is Severity.WARNING


def test_whole_bus_silent_for_a_second(lines: list[Line], tmp_path: Path) -> None:
    quiet = [line for line in lines if not 10_000_000 <= line.t_us < 11_000_000]
    result = inspect_lines(quiet, tmp_path)
    (gap,) = serious(result)
    assert gap.kind == "recording_gap"
    assert {(f.kind, f.place.message) for f in gap.parts} == {("stale", name) for name in NAMES.values()}
    for finding in (gap, *gap.parts):
        assert span(result, finding) == pytest.approx((10.0, 11.0), abs=2 * BATCH_S)


def test_a_node_lost(lines: list[Line], tmp_path: Path) -> None:
    """The node of the chassis sends two of the messages: no frame of either for 1.5 s."""
    result = inspect_lines(without(lines, {WHEELS, BODY}, 10.0, 11.5), tmp_path)
    finding = only(result, "stale")
    assert {(part.kind, part.place.message) for part in finding.parts} == {
        ("stale", "WheelSpeeds"),
        ("stale", "BodySpeed"),
    }
    assert finding.text.startswith("Every message of ChassisNode was silent for 1.5")
    assert finding.beside == ("Still sending: SteerNode.",)
    last_s = max(max(t for t in times_s(lines, one) if t < 10.0) for one in (WHEELS, BODY))
    first_s = min(t for t in times_s(lines, WHEELS) if t >= 11.5)
    assert span(result, finding) == pytest.approx((last_s, first_s), abs=1e-6)
    assert (finding.severity, finding.open) == (Severity.ERROR, False)
    assert lacking(finding) == []


def test_a_node_lost_for_good(lines: list[Line], tmp_path: Path) -> None:
    result = inspect_lines(without(lines, {WHEELS, BODY}, 12.0, 99.0), tmp_path)
    finding = only(result, "stale")
    assert (
        finding.text
        == "Every message of ChassisNode fell silent and did not come back: WheelSpeeds and BodySpeed."
    )
    assert (finding.open, len(finding.parts)) == (True, 2)


def test_all_messages_lost_while_their_bus_goes_on(lines: list[Line], tmp_path: Path) -> None:
    """Other identifiers of the bus come all the time, so it was recorded: no gap in the recording."""
    result = inspect_lines(without(lines, {STEER, WHEELS, BODY}, 10.0, 11.0), tmp_path)
    finding = only(result, "stale")
    assert finding.text.startswith("Every message of bus car was silent for 1.0")
    assert {part.place.message for part in finding.parts} == set(NAMES.values())
    assert span(result, finding) == pytest.approx((10.0, 11.0), abs=BATCH_S)


def test_a_whole_bus_lost_while_another_goes_on(lines: list[Line], tmp_path: Path) -> None:
    """A dead bus, or a recorder that was unplugged from it: the frames of the other bus tell no more."""
    quiet = [line for line in lines if line.channel != "can0" or not 10.0 <= line.t_us / 1e6 < 11.0]
    result = inspect_lines(quiet, tmp_path)
    finding = only(result, "recording_gap")
    assert finding.text.endswith(
        "Channel can1 went on: either nothing got through on the bus, or only its recording stopped."
    )
    assert {part.place.message for part in finding.parts} == set(NAMES.values())
    assert span(result, finding) == pytest.approx((10.0, 11.0), abs=2 * BATCH_S)
    assert lacking(finding) == []


def flipped(line: Line, bits: list[int]) -> Line:
    """The frame with bits of its payload turned over, 0 the lowest of byte 0."""
    payload = bytearray.fromhex(line.data)
    for bit in bits:
        payload[bit // 8] ^= 1 << bit % 8
    return replace(line, data=payload.hex().upper())


def passes(line: Line) -> bool:
    """Whether the last byte is the sum of identifier, length and the other bytes, as the drive has it."""
    payload = bytes.fromhex(line.data)
    return sum((line.can_id >> 8, line.can_id & 0xFF, len(payload), *payload[:-1])) & 0xFF == payload[-1]


@pytest.mark.parametrize("can_id", [STEER, BODY])
def test_flipped_bits_are_all_found(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    """One bit of one frame in a hundred: a sum of bytes shows each, as one bit changes it by 1 to 128."""
    chance = np.random.default_rng(can_id)
    hit = {row for row in rows_of(lines, can_id) if chance.random() < 0.01}
    damaged = [
        flipped(line, [int(chance.integers(64))]) if row in hit else line for row, line in enumerate(lines)
    ]
    result = inspect_lines(damaged, tmp_path, protected(tmp_path))
    found = serious(result)
    assert {(one.kind, one.place.message) for one in found} == {("checksum", NAMES[can_id])}
    assert sum(one.count for one in found) == len(hit) >= 8
    stamps = [lines[row].t_us / 1e6 for row in sorted(hit)]
    spans = [span(result, one) for one in found]
    assert all(any(start <= t + 1e-6 and t < end for start, end in spans) for t in stamps)
    assert {round(start, 6) for start, _ in spans} <= {round(t, 6) for t in stamps}
    record = "steering" if can_id == STEER else "drive"
    assert result.record_summaries[record].count == len(times_s(lines, can_id)) - len(hit)


def test_many_flipped_bits_in_a_row(lines: list[Line], tmp_path: Path) -> None:
    """Five bits in every frame of both messages for a second; a sum misses a few such frames."""
    chance = np.random.default_rng(3)
    names, wrong, damaged = {STEER, BODY}, dict.fromkeys((STEER, BODY), 0), []
    for line in lines:
        hit = line.can_id in names and line.channel == "can0" and 10.0 <= line.t_us / 1e6 < 11.0
        damaged.append(flipped(line, chance.choice(64, 5, replace=False).tolist()) if hit else line)
        wrong[STEER if line.can_id == STEER else BODY] += hit and not passes(damaged[-1])
    result = inspect_lines(damaged, tmp_path, protected(tmp_path))
    found = {one.place.message: one for one in serious(result) if one.kind == "checksum"}
    assert {message: one.count for message, one in found.items()} == {
        NAMES[can_id]: count for can_id, count in wrong.items()
    }
    for one in found.values():
        assert span(result, one) == pytest.approx((10.0, 11.0), abs=2 * BATCH_S)
        assert lacking(one) == []
    assert len(serious(result)) == 2


@pytest.mark.parametrize("can_id", [STEER, BODY])
def test_half_rate(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    count = 0

    def halve(line: Line) -> Line | None:
        nonlocal count
        if line.can_id != can_id or line.channel != "can0" or not 10.0 <= line.t_us / 1e6 < 20.0:
            return line
        count += 1
        return line if count % 2 else None

    result = inspect_lines(edited(lines, halve), tmp_path)
    finding = only(result, "rate", NAMES[can_id])
    start_s, end_s = span(result, finding)
    window_s = max(1.0, 20 * PERIOD_S[can_id])
    assert start_s == pytest.approx(10.0, abs=window_s)
    assert end_s == pytest.approx(20.0, abs=window_s)
    assert finding.value == pytest.approx(2 * PERIOD_S[can_id], rel=0.1)


def test_half_rate_from_the_start(lines: list[Line], tmp_path: Path) -> None:
    wheels = [line for line in lines if line.can_id == WHEELS and line.channel == "can0"]
    dropped = set(map(id, wheels[1::2]))
    result = inspect_lines([line for line in lines if id(line) not in dropped], tmp_path)
    finding = only(result, "rate", "WheelSpeeds")
    assert finding.open
    assert span(result, finding) == pytest.approx((0.0, result.capture.duration_s), abs=1.0)
    assert "from the start" in finding.text


@pytest.mark.parametrize("can_id", [STEER, WHEELS, BODY])
@pytest.mark.parametrize("share", [0.06, 0.5, 0.93])
def test_one_frame_lost(lines: list[Line], can_id: int, share: float, tmp_path: Path) -> None:
    """Stamps are up to 14 ms off the rhythm of a message that comes every 12 ms, and it has no counter."""
    rows = rows_of(lines, can_id)
    gone = rows[round(share * len(rows))]
    result = inspect_lines(lines[:gone] + lines[gone + 1 :], tmp_path)
    finding = only(result, "loss", NAMES[can_id])
    assert (finding.count, finding.severity) == (1, Severity.WARNING)
    assert span(result, finding)[0] == pytest.approx(lines[gone].t_us / 1e6, abs=20 * PERIOD_S[can_id])
    assert lacking(finding) == []


@pytest.mark.parametrize("can_id", [STEER, WHEELS])
def test_a_tenth_of_the_frames_lost(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    """Where a stretch of a second loses so many that its rate is off, that is a part of it."""
    chance = np.random.default_rng(1)
    lost = {row for row in rows_of(lines, can_id) if chance.random() < 0.1}
    result = inspect_lines([line for row, line in enumerate(lines) if row not in lost], tmp_path)
    finding = only(result, "loss", NAMES[can_id])
    assert finding.count == pytest.approx(len(lost), abs=0.05 * len(lost))
    assert {part.kind for part in finding.parts} <= {"rate"}
    assert lacking(finding) == []


@pytest.mark.parametrize("can_ids", [{STEER}, {BODY}, {STEER, WHEELS, BODY}])
def test_frames_that_waited(lines: list[Line], can_ids: set[int], tmp_path: Path) -> None:
    """What came in 80 ms comes in a row at their end, as fast as the bus can send it."""
    waiting, ends_us = 0, 10_080_000

    def hold(line: Line) -> Line:
        nonlocal waiting
        if line.can_id not in can_ids or line.channel != "can0" or not 10_000_000 <= line.t_us < ends_us:
            return line
        waiting += 1
        return replace(line, t_us=ends_us + 250 * waiting)

    late = sorted(edited(lines, hold), key=lambda line: line.t_us)
    result = inspect_lines(late, tmp_path)
    finding = only(result, "burst", NAMES[min(can_ids)] if len(can_ids) == 1 else None)
    assert span(result, finding) == pytest.approx((10.0, 10.08), abs=2 * BATCH_S)
    assert finding.severity is Severity.WARNING
    assert lacking(finding) == []


@pytest.mark.parametrize("can_id", [STEER, WHEELS, BODY])
def test_every_number_of_a_finding_is_in_a_field(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    """A message gone for a while, then at half its rate, then cut to its first byte."""
    count = 0

    def change(line: Line) -> Line | None:
        nonlocal count
        if line.can_id != can_id or line.channel != "can0":
            return line
        count += 1
        t_s = line.t_us / 1e6
        if 5.0 <= t_s < 6.0 or (10.0 <= t_s < 15.0 and count % 2):
            return None
        return replace(line, data=line.data[:2]) if 18.0 <= t_s < 18.5 else line

    found = serious(inspect_lines(edited(lines, change), tmp_path))
    assert {"stale", "rate", "length"} <= {finding.kind for finding in found}
    assert [(finding.text, lacking(finding)) for finding in found if lacking(finding)] == []
