"""Error frames are found by channel and stretch of disturbance; a recorder without any: "not recorded"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.checks.buses.error_frames import CLASSES
from canmap.findings.finding import Severity
from canmap.frames.chunks import FrameChunk, FrameKind
from tests.finding_numbers import lacking
from tests.kits import TICK, of_kind, row, span_ms, spec_of, told
from tests.published import socketcan_text, table
from tests.streams import MS, START_NS, frames, inspected

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

HEAD = "vehicle: Test cart\nbuses:\n  drive: {description: kit.dbc, channel: vcan0}\n"


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK, periods_ms={256: 10})


def with_errors(
    errors: list[tuple[float, int, str]], channels: tuple[str, ...] = ("can0",), last_ms: int = 1000
) -> FrameChunk:
    """Tick every 10 ms for a second or more, and error frames: time in ms, class, payload in hexadecimal."""
    rows = [(*row(t), FrameKind.DATA) for t in range(0, last_ms + 1, 10)]
    rows += [(*row(t, can_id, bytes.fromhex(data)), FrameKind.ERROR) for t, can_id, data in errors]
    rows.sort(key=lambda one: one[0])
    chunk = frames((one[:4] for one in rows), channels)
    chunk.kind[:] = [one[4] for one in rows]
    return chunk


STUFF, FORM = (0x088, "0000040000000000"), (0x088, "0000020000000000")
UNSEEN, ACTIVE = (0x020, "00" * 8), (0x004, "0040000000000000")
BUS_OFF, RESTARTED = (0x040, "00" * 8), (0x100, "00" * 8)


def found(spec: Spec, errors: list[tuple[float, int, str]]) -> tuple[Inspection, list[Finding]]:
    """What is found of error frames, the same whole and frame by frame."""
    chunk = with_errors(errors)
    result, _ = inspected([chunk], spec)
    in_pieces, _ = inspected(chunk.split(range(1, len(chunk))), spec)
    assert in_pieces.to_json() == result.to_json()
    return result, of_kind(result, "bus_error")


def test_a_burst_is_one_finding(spec: Spec) -> None:
    # Stuff errors at 301 to 319 ms, each with the "bus error" class that comes with them; one good frame is
    # between them (310 ms), so that 4 of 5 frames are errors; the next one comes at 320 ms.
    result, (finding,) = found(spec, [(t, *STUFF) for t in (301, 302, 305, 319)])
    assert (
        finding.text == "4 error frames on can0 within 19 ms, 80 % of its frames: all report a stuff error."
    )
    assert (finding.count, finding.severity, finding.place.bus) == (4, Severity.WARNING, "drive")
    assert finding.facts == {"frames": 5, "share": 0.8, "classes": {"stuff_error": 4}}
    assert result.to_json()["findings"][0]["facts"] == finding.facts
    assert span_ms(result, finding) == pytest.approx((301, 320))
    assert result.to_json()["capture"]["error_frames"] == 4
    assert [f for f in result.findings if f.severity is Severity.ERROR] == []  # nothing else minds them


def disturbed(spec: Spec, end_ms: int = 3000) -> tuple[FrameChunk, dict[str, int]]:
    """Tick every 10 ms for 4 s; from 0.5 s on an error frame every 14 ms until `end_ms`, of three classes."""
    times_ms = [500.5 + 14 * i for i in range((end_ms - 500) // 14)]
    kinds = [UNSEEN if i % 10 == 0 else FORM if i % 3 == 0 else STUFF for i in range(len(times_ms))]
    names = {UNSEEN: "not_acknowledged", FORM: "form_error", STUFF: "stuff_error"}
    counts = {name: kinds.count(kind) for kind, name in names.items()}
    return with_errors([(t, *kind) for t, kind in zip(times_ms, kinds, strict=True)], last_ms=4000), counts


def test_a_disturbance_of_several_classes_is_one_finding_with_its_rate_and_share(spec: Spec) -> None:
    chunk, counts = disturbed(spec)
    # 178 of them (2500 / 14), the last at 500.5 + 177 * 14 = 2978.5 ms; the next good frame is at 2980 ms:
    # 178 / 2.4795 s = 71.8 a second. Good frames between them: 510, 520, ..., 2970, so 247, and 178 of 425
    # is 41.9 %. Not acknowledged: i = 0, 10, ..., 170: 18 (10.1 %). Form: multiples of 3 up to 177: 60, less
    # those of 30 (0, ..., 150: 6): 54 (30.3 %). Stuff: the other 106 (59.6 %).
    assert counts == {"not_acknowledged": 18, "form_error": 54, "stuff_error": 106}
    result, _ = inspected([chunk], spec)
    (finding,) = of_kind(result, "bus_error")
    assert finding.text == (
        "178 error frames on can0, 72 a second and 42 % of its frames: "
        "60 % report a stuff error, 30 % a form error and 10 % a frame that nobody acknowledged."
    )
    assert span_ms(result, finding) == pytest.approx((500.5, 2980))
    assert finding.facts == {
        "per_second": pytest.approx(178 / 2.4795), "frames": 425, "share": 178 / 425, "classes": counts,
    }  # fmt: skip
    assert (finding.count, finding.open, lacking(finding)) == (178, False, [])


def test_a_stretch_is_the_same_however_it_is_cut(spec: Spec) -> None:
    whole, _ = disturbed(spec)
    expected, events = inspected([whole], spec)
    for pieces in (whole.split(range(1, len(whole))), whole.split(range(0, len(whole), 37))):
        result, others = inspected(pieces, spec)
        assert result.to_json() == expected.to_json()
        assert others == events


@pytest.mark.parametrize(("apart_ms", "counts"), [(250, [2]), (250.001, [1, 1])])
def test_more_than_250_ms_part_two_stretches(spec: Spec, apart_ms: float, counts: list[int]) -> None:
    _, findings = found(spec, [(301, *UNSEEN), (301 + apart_ms, *UNSEEN)])
    assert [f.count for f in findings] == counts


def test_the_end_of_a_stretch_is_told_by_the_chunk_that_begins_the_next(spec: Spec) -> None:
    """Cut behind the error frame at 301 ms; the next chunk has the good frame at 310 ms and a stretch."""
    whole = with_errors([(301, *STUFF), (701, *FORM)])
    place = int(np.flatnonzero(whole.kind == FrameKind.ERROR)[0]) + 1
    for pieces in ([whole], whole.split([place])):
        result, _ = inspected(pieces, spec)
        assert [span_ms(result, f) for f in of_kind(result, "bus_error")] == [(301, 310), (701, 710)]


def test_a_bus_on_which_nothing_else_comes_is_disturbed_all_the_time(spec: Spec) -> None:
    """After the last frame, at 1000 ms, an error frame every 400 ms: no good one tells that it is over."""
    result, (finding,) = found(spec, [(t, *UNSEEN) for t in (1300, 1700, 2100)])
    assert (finding.count, finding.open, finding.facts["frames"]) == (3, True, 3)
    assert span_ms(result, finding) == pytest.approx((1300, 2100))
    # 3 in 0.8 s: shorter than a second, so that no rate is told.
    assert finding.text.startswith("3 error frames on can0 within 800 ms, 100 % of its frames: all report")


def test_bus_off_fails_the_inspection(spec: Spec) -> None:
    result, (finding,) = found(spec, [(480, *STUFF), (490, *STUFF), (500, *BUS_OFF), (600, *RESTARTED)])
    assert finding.severity is Severity.ERROR
    assert finding.text == (
        # 480, 490, 500 and 600 come after the good frames of those times, so 490, 500, ..., 600 lie between.
        "4 error frames on can0 within 130 ms, 25 % of its frames: 25 % report a controller that is bus off, "
        "50 % a stuff error and 25 % a controller that was restarted."
    )
    assert result.verdict == "fail"


def test_what_is_no_fault_makes_no_warning(spec: Spec) -> None:
    # Error active again 100 ms after the last stuff error is of its stretch; alone it is a note.
    _, (finding,) = found(spec, [(300, *STUFF), (400, *ACTIVE)])
    assert (finding.count, finding.severity) == (2, Severity.WARNING)
    _, (finding,) = found(spec, [(400, *ACTIVE)])
    assert finding.severity is Severity.NOTE
    assert finding.text == "An error frame on can0 reports a controller that is error active again."


def test_twenty_stretches_are_listed_and_one_counts_the_rest(spec: Spec) -> None:
    # One every 300 ms, three more than are listed; of the rest two are stuff errors and one is the bus off.
    kinds = [*[STUFF] * 22, BUS_OFF]
    chunk = with_errors([(100 + 300 * i, *kind) for i, kind in enumerate(kinds)], last_ms=8000)
    result, events = inspected([chunk], spec)
    assert inspected(chunk.split(range(1, len(chunk))), spec)[1] == events
    findings = of_kind(result, "bus_error")
    assert [f.count for f in findings] == [1] * 20 + [3]
    rest = findings[-1]
    assert rest.text == (
        "3 error frames on can0 in 3 more stretches that are not listed: "
        "33 % report a controller that is bus off and 67 % a stuff error."
    )
    assert rest.severity is Severity.ERROR
    assert (rest.facts["stretches"], rest.facts["frames"], lacking(rest)) == (3, 3, [])


def test_two_buses_are_two_findings(tmp_path: Path) -> None:
    head = HEAD.replace("vcan0}", "can0}\n  lift: {description: kit.dbc, channel: can1}")
    spec = spec_of(tmp_path, TICK, head=head)
    chunk = with_errors([(300, *STUFF), (310, *FORM)], ("can0", "can1"))
    chunk.channel[chunk.can_id == 0x088] = [0, 1]
    result, _ = inspected([chunk], spec)
    assert [(f.place.bus, f.text) for f in of_kind(result, "bus_error")] == [
        ("drive", "An error frame on can0 reports a stuff error."),
        ("lift", "An error frame on can1 reports a form error."),
    ]


def test_it_begins_by_what_is_known_of_its_first_frame(spec: Spec) -> None:
    """However many more were read with it; and it is over 250 ms after its last."""
    chunk = with_errors([(300, *STUFF), (301, *BUS_OFF)])
    _, events = inspected([chunk], spec)
    began, over = (event for event in events if event.finding.kind == "bus_error")
    assert began.finding.text == "An error frame on can0 reports a stuff error."
    assert (began.finding.severity, over.finding.severity) == (Severity.WARNING, Severity.ERROR)
    assert [round((event.known_ns - START_NS) / MS, 3) for event in (began, over)] == [300, 551]


@pytest.mark.parametrize(
    ("can_id", "data", "text"),
    [
        (0x004, "0020000000000000", "a controller that is error passive"),
        (0x204, "0008000000006000", "an error counter above its warning level"),  # with the counters
        (0x004, "0001000000000000", "frames lost by the receiver (overflow)"),
        (0x00C, "0010010000000000", "a controller that is error passive and a bit error"),
        (0x200, "0000000000000102", "a change of the error counters"),
        (0x080, "0000000000000000", "a bus error without details"),
        (0x000, "0000000000000000", "an error without a class"),
    ],
)
def test_classes_and_details(spec: Spec, can_id: int, data: str, text: str) -> None:
    _, findings = found(spec, [(500, can_id, data)])
    assert told(findings) == [f"An error frame on can0 reports {text}."]


def test_every_class_and_detail_of_the_kernel_has_a_text(spec: Spec) -> None:
    """No combination of one class and one detail bit (Linux, can/error.h) goes unreported."""
    for bit in range(10):
        for byte, detail in [(7, 0), *((byte, 1 << k) for byte in (1, 2) for k in range(8))]:
            data = bytearray(8)
            data[byte] = detail
            result, _ = inspected([with_errors([(500, 1 << bit, data.hex())])], spec)
            (finding,) = of_kind(result, "bus_error")
            assert len(finding.facts["classes"]) == 1, (1 << bit, byte, detail)


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
    (finding,) = of_kind(result, "bus_error")  # they are 0.1 s apart
    assert result.capture.error_frames == len(lines) == finding.count == 3
    named = {0x04: "overflow", 0x80: "bus error without details", 0x40: "bus off"}
    assert {int(line["can_id_hex"], 16) for line in lines} == set(named)
    assert all(name in finding.text for name in named.values())
    assert (finding.place.bus, finding.severity) == ("drive", Severity.ERROR)


def test_classes_are_told_apart() -> None:
    assert len({kind.text for kind in CLASSES}) == len({kind.word for kind in CLASSES}) == len(CLASSES)
