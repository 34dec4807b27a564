"""Error frames become findings by channel and class; a recorder without any says "not recorded"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import canmap
from canmap.checks.error_frames import CLASSES
from canmap.findings.finding import Severity
from canmap.frames.chunks import FrameChunk, FrameKind
from tests.kits import TICK, of_kind, row, span_ms, spec_of
from tests.published import socketcan_text, table
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec

HEAD = "vehicle: Test cart\nbuses:\n  drive: {description: kit.dbc, channel: vcan0}\n"


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK, periods_ms={256: 10})


def with_errors(errors: list[tuple[float, int, str]], channels: tuple[str, ...] = ("can0",)) -> FrameChunk:
    """Tick every 10 ms for a second, and error frames: time in ms, class, payload in hexadecimal."""
    rows = [(*row(t), FrameKind.DATA) for t in range(0, 1001, 10)]
    rows += [(*row(t, can_id, bytes.fromhex(data)), FrameKind.ERROR) for t, can_id, data in errors]
    rows.sort(key=lambda one: one[0])
    chunk = frames((one[:4] for one in rows), channels)
    chunk.kind[:] = [one[4] for one in rows]
    return chunk


def test_a_burst_is_one_finding(spec: Spec) -> None:
    # Stuff errors at 300 to 320 ms, each with the "bus error" class that comes with them; two frames between.
    chunk = with_errors([(t, 0x088, "0000040000000000") for t in (301, 302, 305, 319)])
    for pieces in ([chunk], chunk.split(range(1, len(chunk)))):
        result, _ = inspected(pieces, spec)
        (finding,) = of_kind(result, "bus_error")
        assert finding.text == "4 error frames on can0 report a stuff error."
        assert (finding.count, finding.severity, finding.place.bus) == (4, Severity.WARNING, "drive")
        assert span_ms(result, finding) == pytest.approx((301, 320))
        assert result.to_json()["capture"]["error_frames"] == 4
        assert [f for f in result.findings if f.severity is Severity.ERROR] == []  # nothing else minds them


def test_three_good_frames_part_two(spec: Spec) -> None:
    result, _ = inspected([with_errors([(301, 0x20, "00" * 8), (335, 0x20, "00" * 8)])], spec)
    assert [f.count for f in of_kind(result, "bus_error")] == [1, 1]
    result, _ = inspected([with_errors([(301, 0x20, "00" * 8), (325, 0x20, "00" * 8)])], spec)
    assert [f.count for f in of_kind(result, "bus_error")] == [2]


def test_bus_off_fails_the_inspection(spec: Spec) -> None:
    result, _ = inspected([with_errors([(500, 0x40, "00" * 8), (600, 0x100, "00" * 8)])], spec)
    off, restarted = of_kind(result, "bus_error")
    assert (off.severity, restarted.severity) == (Severity.ERROR, Severity.NOTE)
    assert off.text == "An error frame on can0 reports a controller that is bus off."
    assert result.verdict == "fail"


@pytest.mark.parametrize(
    ("can_id", "data", "texts"),
    [
        (0x004, "0020000000000000", ["a controller that is error passive"]),
        (0x204, "0008000000006000", ["an error counter above its warning level"]),  # with the counters
        (0x004, "0001000000000000", ["frames lost by the receiver (overflow)"]),
        (0x00C, "0010010000000000", ["a controller that is error passive", "a bit error"]),
        (0x200, "0000000000000102", ["a change of the error counters"]),
        (0x080, "0000000000000000", ["a bus error without details"]),
        (0x000, "0000000000000000", ["an error without a class"]),
    ],
)
def test_classes_and_details(spec: Spec, can_id: int, data: str, texts: list[str]) -> None:
    result, _ = inspected([with_errors([(500, can_id, data)])], spec)
    told = [f.text for f in of_kind(result, "bus_error")]
    assert told == sorted(f"An error frame on can0 reports {text}." for text in texts)


def test_every_class_and_detail_of_the_kernel_has_a_text(spec: Spec) -> None:
    """No combination of one class and one detail bit (Linux, can/error.h) goes unreported."""
    for bit in range(10):
        for byte, detail in [(7, 0), *((byte, 1 << k) for byte in (1, 2) for k in range(8))]:
            data = bytearray(8)
            data[byte] = detail
            result, _ = inspected([with_errors([(500, 1 << bit, data.hex())])], spec)
            told = of_kind(result, "bus_error")
            assert len(told) == 1, (1 << bit, byte, detail)


def test_none_at_all_is_not_recorded(spec: Spec) -> None:
    result, _ = inspected([with_errors([])], spec)
    assert result.to_json()["capture"]["error_frames"] is None
    assert of_kind(result, "bus_error") == []


def test_published_text_examples(tmp_path: Path) -> None:
    """Classes of the SocketCAN examples, line by line, through a capture file."""
    spec = spec_of(tmp_path, TICK, head=HEAD)
    capture = tmp_path / "examples.log"
    capture.write_bytes(socketcan_text())
    lines = [row for row in table("socketcan_text") if row["error"] == "1"]
    result = canmap.inspect(str(capture), spec)
    found = of_kind(result, "bus_error")
    assert result.capture.error_frames == len(lines) == sum(finding.count for finding in found) == 3
    named = {0x04: "overflow", 0x80: "bus error without details", 0x40: "bus off"}
    for line, finding in zip(lines, found, strict=True):
        assert named[int(line["can_id_hex"], 16)] in finding.text
        assert finding.place.bus == "drive"


def test_classes_are_told_apart() -> None:
    assert len({kind.text for kind in CLASSES}) == len(CLASSES)
