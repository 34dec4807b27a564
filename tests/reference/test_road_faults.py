"""Faults put into a real recording: each is found as its kind, where and when it is, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

import canmap
from canmap.findings.finding import Severity
from tests.finding_numbers import lacking
from tests.reference.road import (
    BATCH_S,
    NAMES,
    PERIOD_S,
    SPEC,
    STEER,
    WHEELS,
    Line,
    edited,
    inspect_lines,
    inspect_text,
    only,
    recording,
    serious,
    span,
    times_s,
)

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    return recording(shared)


def coarse(angle_deg: float, data: str) -> str:
    """The payload with AngleCoarse set: bits 3..0 of byte 0 and byte 1, 1.5 degrees a count."""
    raw = round(angle_deg / 1.5) & 0xFFF
    return f"{data[0]}{raw:03X}{data[4:]}"


def test_720_degrees(lines: list[Line], tmp_path: Path) -> None:
    def wind_up(line: Line) -> Line:
        hit = line.can_id == STEER and line.channel == "can0" and 10.0 <= line.t_us / 1e6 < 10.5
        return replace(line, data=coarse(720, line.data)) if hit else line

    result = inspect_lines(edited(lines, wind_up), tmp_path)
    finding, *steps = serious(result)
    assert [one.kind for one in (finding, *steps)] == ["out_of_range", "slew", "slew"]  # there and back
    times = times_s(lines, STEER)
    first_s, next_s = min(t for t in times if t >= 10.0), min(t for t in times if t >= 10.5)
    assert span(result, finding) == pytest.approx((first_s, next_s), abs=1e-6)
    assert [span(result, step)[0] for step in steps] == [first_s, next_s]
    assert finding.value == pytest.approx(12.566, rel=2e-3)  # 720 degrees in rad, plus or minus AngleFine
    assert finding.limit == pytest.approx(9.42478, rel=1e-5)  # 540 degrees
    assert "540 deg" in finding.text


def test_a_step_of_60_degrees(lines: list[Line], tmp_path: Path) -> None:
    """From 10 s on the angle has an offset of 60 degrees, which is 40 counts of AngleCoarse."""

    def offset(line: Line) -> Line:
        if line.can_id != STEER or line.channel != "can0" or line.t_us < 10_000_000:
            return line
        raw = (int(line.data[1:4], 16) ^ 0x800) - 0x800  # two's complement of 12 bits
        return replace(line, data=coarse(raw * 1.5 + 60, line.data))

    result = inspect_lines(edited(lines, offset), tmp_path)
    finding = only(result, "slew", "SteerSensor")
    assert span(result, finding)[0] == min(t for t in times_s(lines, STEER) if t >= 10.0)
    assert (finding.count, finding.severity) == (1, Severity.ERROR)
    assert finding.limit == pytest.approx(12.217, rel=1e-4)  # 700 degrees in rad
    assert finding.value == pytest.approx(1.0472 / 0.012, rel=0.1)  # 60 degrees in rad, in one period
    assert lacking(finding) == []


def test_a_wheel_speed_that_stays_the_same(lines: list[Line], tmp_path: Path) -> None:
    """From 10 s on the front left wheel, bytes 2 and 3, says what it said then, while the car drives on."""
    held: list[str] = []

    def freeze(line: Line) -> Line:
        if line.can_id != WHEELS or line.channel != "can0" or line.t_us < 10_000_000:
            return line
        held.append(line.data[4:8])
        return replace(line, data=line.data[:4] + held[0] + line.data[8:])

    result = inspect_lines(edited(lines, freeze), tmp_path)
    finding = only(result, "frozen", "WheelSpeeds")
    assert span(result, finding)[0] == pytest.approx(10.0, abs=PERIOD_S[WHEELS] + BATCH_S)
    assert (finding.open, finding.severity) == (True, Severity.ERROR)
    assert (finding.place.record, finding.place.field) == ("wheels", "front_left")
    assert lacking(finding) == []


def test_short_payloads(lines: list[Line], tmp_path: Path) -> None:
    def shorten(line: Line) -> Line:
        hit = line.can_id == WHEELS and line.channel == "can0" and 10.0 <= line.t_us / 1e6 < 10.5
        return replace(line, data=line.data[:8]) if hit else line

    result = inspect_lines(edited(lines, shorten), tmp_path)
    finding = only(result, "length", "WheelSpeeds")
    times = times_s(lines, WHEELS)
    first_s, next_s = min(t for t in times if t >= 10.0), min(t for t in times if t >= 10.5)
    assert span(result, finding) == pytest.approx((first_s, next_s), abs=1e-6)
    hit = finding.count
    assert hit == sum(10.0 <= t < 10.5 for t in times)
    wheels = result.record_summaries["wheels"]
    assert wheels.fields["front_left"].valid == wheels.count  # bytes 2 and 3 are still there
    assert wheels.fields["rear_left"].valid == wheels.count - hit


def test_clock_stepped_back_by_3_s_for_a_second(lines: list[Line], tmp_path: Path) -> None:
    def step(line: Line) -> Line:
        return replace(line, t_us=line.t_us - 3_000_000) if 10_000_000 <= line.t_us < 11_000_000 else line

    result = inspect_lines(edited(lines, step), tmp_path)
    finding = only(result, "time_order")
    assert span(result, finding) == pytest.approx((10.0, 11.0), abs=BATCH_S)
    assert finding.value == pytest.approx(-3.0, abs=0.01)


def test_garbage_lines(lines: list[Line], tmp_path: Path) -> None:
    texts = [str(line) for line in lines]
    at = [1_000, 20_000, 40_000]
    garbage = ["%&/ not a frame", "(1700000010.0) can0", "\x00\x01\xff"]
    for place, text in zip(reversed(at), reversed(garbage), strict=True):
        texts.insert(place, text)
    result = inspect_text("\n".join(texts) + "\n", tmp_path)
    found = serious(result)
    assert [f.kind for f in found] == ["bad_line"] * 3
    assert [f.line for f in found] == [place + 1 + i for i, place in enumerate(at)]
    for finding, place in zip(found, at, strict=True):
        assert result.seconds(finding.start_ns) == pytest.approx(lines[place - 1].t_us / 1e6, abs=BATCH_S)
    assert result.capture.bad_lines == 3
    assert result.capture.frames == len(lines)


def test_last_line_cut(lines: list[Line], tmp_path: Path) -> None:
    text = "\n".join(map(str, lines))
    result = inspect_text(text[:-9], tmp_path)
    finding = only(result, "truncated")
    assert finding.line == len(lines)
    assert "ends before it should, in the middle of a line" in finding.text


def test_other_channel_name(lines: list[Line], tmp_path: Path) -> None:
    renamed = [replace(line, channel={"can0": "vcan7"}.get(line.channel, line.channel)) for line in lines]
    result = inspect_lines(renamed, tmp_path)
    (found,) = serious(result)
    missing = [part for part in found.parts if part.kind == "missing"]
    assert {part.place.message for part in missing} == set(NAMES.values())
    assert (found.kind, found.place.bus, result.verdict) == ("missing", "car", "fail")
    assert found.text == (
        "Bus car listens to channel can0, which the capture does not have; channel vcan7 carries 3 of the 3 "
        'messages of car: give channels={"car": "vcan7"}.'
    )
    (other,) = [part for part in found.parts if part not in missing]
    assert other.text.startswith("No bus of the spec listens to channel vcan7, which has")


def test_the_channel_of_another_bus_of_the_road_car(lines: list[Line], tmp_path: Path) -> None:
    """The two recorded channels with each other's names: identifiers that both carry prove nothing."""
    other = {"can0": "can1", "can1": "can0"}
    swapped = [replace(line, channel=other.get(line.channel, line.channel)) for line in lines]
    result = inspect_lines(swapped, tmp_path)
    (found,) = serious(result)
    assert found.text == (
        "Bus car listens to channel can0, which carries none of its 3 messages; channel can1 carries 3 of "
        'the 3 messages of car: give channels={"car": "can1"}.'
    )
    given = canmap.load_spec(str(SPEC), channels={"car": "can1"})
    mended = canmap.inspect(str(tmp_path / "damaged.log"), given)
    as_recorded = inspect_lines(lines, tmp_path)
    assert [f.text for f in serious(mended)] == [f.text for f in serious(as_recorded)] == []
    for part in ("messages", "records"):
        assert mended.to_json()[part] == as_recorded.to_json()[part]


def test_frames_recorded_twice(lines: list[Line], tmp_path: Path) -> None:
    """Every frame of both channels from 5 to 6 s twice; the summary stays what it was."""
    doubled = [copy for line in lines for copy in [line] * (2 if 5.0 <= line.t_us / 1e6 < 6.0 else 1)]
    result = inspect_lines(doubled, tmp_path)
    finding = only(result, "duplicate")
    twice = [line for line in lines if 5.0 <= line.t_us / 1e6 < 6.0 and line.channel == "can0"]
    assert (finding.count, finding.place.bus) == (len(twice), "car")
    assert span(result, finding) == pytest.approx((5.0, 6.0), abs=BATCH_S)
    clean = inspect_lines(lines, tmp_path)
    for part in ("messages", "records"):
        assert result.to_json()[part] == clean.to_json()[part]


def test_error_frames(lines: list[Line], tmp_path: Path) -> None:
    """The bus goes off at 8 s and is silent for 0.3 s: the error frame tells why."""
    off = Line(8_000_000, "can0", 0x2000_0040, "00" * 8)
    before = [line for line in lines if line.t_us < 8_000_000]
    after = [line for line in lines if line.t_us >= 8_300_000]
    result = inspect_lines([*before, off, *after], tmp_path)
    errors = [finding for finding in serious(result) if finding.kind == "bus_error"]
    assert [finding.text for finding in errors] == [
        "An error frame on can0 reports a controller that is bus off."
    ]
    assert span(result, errors[0]) == pytest.approx((8.0, 8.3), abs=BATCH_S)
    assert {finding.kind for finding in serious(result)} == {"recording_gap", "bus_error"}
    assert result.capture.error_frames == 1
