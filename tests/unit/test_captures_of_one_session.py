"""Several captures and parts of them: nothing is lost in a hole, and nothing comes from beyond a window."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from canmap.api.inspect import inspect, steps
from canmap.api.transcribe import transcribe
from canmap.findings.episodes import Closed, Opened
from canmap.findings.finding import Severity
from tests.kits import TICK, TOCK, of_kind, row, serious, span_ms, spec_of
from tests.streams import CART, ROOT, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.mapping.model import Spec

TWO = """\
vehicle: Test cart
buses:
  front: {description: kit.dbc, channel: can0}
  rear: {description: kit.dbc, channel: can1}
"""
PERIODS = {256: 10, 512: 10}


def write(path: Path, rows: Iterable[tuple[float, str, int]]) -> Path:
    """A text log with frames of (ms, channel, identifier)."""
    data = "00" * 8
    lines = [f"({row(ms)[0] / 1e9:.6f}) {name} {can_id:03X}#{data}\n" for ms, name, can_id in sorted(rows)]
    path.write_text("".join(lines), "ascii")
    return path


def every_10_ms(begin: int, end: int, *ids: int, channel: str = "can0") -> list[tuple[float, str, int]]:
    return [(t, channel, can_id) for t in range(begin, end, 10) for can_id in ids]


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK + TOCK, periods_ms=PERIODS)


def silences(paths: list[Path], spec: Spec) -> list[tuple[str, str, tuple[float, float], bool]]:
    result = inspect(paths, spec)
    return [
        (f.kind.value, f.severity.value, span_ms(result, f), f.open)
        for f in result.findings
        if f.kind in {"missing", "stale"}
    ]


def test_what_was_silent_before_a_hole_is_told_up_to_the_hole(tmp_path: Path, spec: Spec) -> None:
    before = write(tmp_path / "a.log", [*every_10_ms(0, 500, 0x100), *every_10_ms(0, 3000, 0x300)])
    after = write(tmp_path / "b.log", every_10_ms(4000, 4500, 0x100, 0x200))
    assert silences([before, after], spec) == [
        ("missing", "error", (0, 2990), False),
        ("stale", "error", (490, 2990), False),
    ]


def test_a_silence_that_a_hole_ends_is_over_in_a_replay(spec: Spec, tmp_path: Path) -> None:
    before = write(tmp_path / "a.log", [*every_10_ms(0, 500, 0x100, 0x200), *every_10_ms(500, 2000, 0x200)])
    after = write(tmp_path / "b.log", every_10_ms(4000, 4500, 0x100, 0x200))
    told = [event for step in steps([before, after], spec) for event in step.events]
    stale = [event for event in told if event.finding.kind == "stale"]
    assert [type(event) for event in stale] == [Opened, Closed]


def test_another_recorder_that_joins_ends_no_silence(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK, periods_ms=PERIODS, head=TWO.replace("can0", "can9"))
    ours = every_10_ms(100, 10_000, 0x200, channel="can1")
    ours += every_10_ms(100, 1000, 0x100, channel="can1") + every_10_ms(9500, 10_000, 0x100, channel="can1")
    other = [*every_10_ms(0, 10_000, 0x300), (9405.0, "can1", 0x200)]
    paths = [write(tmp_path / "p.log", ours), write(tmp_path / "q.log", other)]
    result = inspect(paths, spec)
    (finding,) = [f for f in of_kind(result, "stale") if f.place.bus == "rear"]
    assert span_ms(result, finding) == (990, 9500)


@pytest.mark.parametrize("span_s", [(0.0, 5.0), (0.0, 7.0), (0.0, 3.0), (6.0, 8.0)])
def test_a_window_on_two_captures_is_as_on_one(
    tmp_path: Path, spec: Spec, span_s: tuple[float, float]
) -> None:
    rows = every_10_ms(0, 10_000, 0x100, 0x200)
    halves = [write(tmp_path / "a.log", rows[:1000]), write(tmp_path / "b.log", rows[1000:])]
    whole = write(tmp_path / "whole.log", rows)
    parts, one = (inspect(paths, spec, span_s=span_s) for paths in (halves, [whole]))
    assert serious(parts) == serious(one) == []
    told = [result.to_json() for result in (parts, one)]
    assert json.dumps(told[0]["messages"]) == json.dumps(told[1]["messages"])
    assert told[0]["capture"]["duration_s"] == told[1]["capture"]["duration_s"]


def test_a_window_on_two_recorders_ends_with_its_last_frame(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK + TOCK, periods_ms=PERIODS, head=TWO)
    paths = [
        write(tmp_path / f"{channel}.log", every_10_ms(0, 10_000, 0x100, 0x200, channel=channel))
        for channel in ("can0", "can1")
    ]
    findings = inspect(paths, spec, span_s=(0.0, 5.0)).findings
    # Stamps every 10 ms could be those of a recorder that fetches as often: what is lost would not show.
    assert {finding.facts.get("reason") for finding in findings} == {"loss_not_told"}


@pytest.mark.parametrize(
    ("apart_ms", "severity", "kinds"), [(0, "warning", {"duplicate"}), (4, "error", {"counter", "rate"})]
)
def test_a_channel_that_two_recorders_had_is_one_finding(
    tmp_path: Path, apart_ms: int, severity: str, kinds: set[str]
) -> None:
    """Both have all frames of the channel; with clocks that are apart each seems to come again."""
    head = "vehicle: Test cart\nbuses: {drive: {description: kit.dbc, channel: can0, bit_rate: 500 kbit/s}}\n"
    counted = "messages: {Tick: {counter: {signal: Value}}}\n"
    spec = spec_of(tmp_path, TICK, counted, periods_ms={0x100: 10}, head=head)
    paths = [tmp_path / "near.log", tmp_path / "far.log"]
    for path, late_ms in zip(paths, (0, apart_ms), strict=True):
        stamps = [row(10 * number + late_ms)[0] / 1e9 for number in range(300)]
        lines = [
            f"({t:.6f}) can0 100#{number % 256:02X}{number // 256:02X}{0:012X}\n"
            for number, t in enumerate(stamps)
        ]
        path.write_text("".join(lines), "ascii")
    (finding,) = serious(inspect(paths, spec))
    assert finding.text.startswith("Several captures recorded channel can0 at the same time")
    assert (finding.severity, {part.kind for part in finding.parts}) == (severity, kinds)
    assert (finding.place.bus, finding.facts) == ("drive", {"captures": 2})


def test_a_part_over_a_step_is_written_the_same_each_time(tmp_path: Path) -> None:
    rows = [row(t)[0] for t in [*range(60_000), *range(1000, 61_000)]]
    log = tmp_path / "s.log"
    log.write_text("".join(f"({t // 10**9}.{t % 10**9 // 1000:06d}) can0 100#00\n" for t in rows), "ascii")
    for _ in range(3):
        assert transcribe(log, tmp_path / "part.log", (0.0, 5.0), overwrite=True).frames == 5000


def test_a_minimum_gap_that_is_broken_to_the_end_is_open(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK, "messages:\n  Tick: {trigger: on_change, minimum_gap: 50 ms}\n")
    times = [*range(0, 1000, 100), *range(1000, 2000, 10)]
    result, _ = inspected([frames(row(t) for t in times)], spec)
    (finding,) = of_kind(result, "rate")
    assert (span_ms(result, finding), finding.open, finding.count) == ((1010, 1990), True, 98 + 1)


def test_a_finding_begins_with_its_first_sample_however_much_was_read(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, TICK)
    chunk = frames(row(t, data=bytes(3 if t > 500 else 8)) for t in range(0, 1000, 10))
    for pieces in ([chunk], chunk.split(range(100))):
        _, events = inspected(pieces, spec)
        (begins,) = [e.finding for e in events if isinstance(e, Opened) and e.finding.kind == "length"]
        assert begins.count == 1


def test_a_hole_alone_is_a_warning(tmp_path: Path, spec: Spec) -> None:
    paths = [
        write(tmp_path / f"{begin}.log", every_10_ms(begin, begin + 500, 0x100, 0x200)) for begin in (0, 900)
    ]
    (hole,) = inspect(paths, spec).findings
    assert (hole.kind, hole.severity) == ("not_covered", Severity.WARNING)


def test_a_rate_window_begins_with_a_frame_that_lies_on_its_bound(tmp_path: Path) -> None:
    # 20 periods of 2450 ms are 49 s: in binary, 49 s times 1 / 49 s is less than 1.
    spec = spec_of(tmp_path, TICK, periods_ms={256: 2450})
    times = [*range(0, 49_000, 4900), *range(49_000, 98_001, 2450)]
    result, _ = inspected([frames(row(t) for t in times)], spec)
    (finding,) = of_kind(result, "rate")
    assert span_ms(result, finding) == (0, 49_000)


def test_no_counter_tells_of_frames_lost_where_nothing_was_recorded(tmp_path: Path) -> None:
    """A clean drive in two captures, two seconds apart; behind them one frame is taken out."""
    lines = (ROOT / "captures" / "clean_drive.log").read_text("ascii").splitlines(keepends=True)
    (tmp_path / "a.log").write_text("".join(lines[:4000]), "ascii")
    behind = [line for line in lines if float(line[1:18]) - float(lines[4000][1:18]) > 2]
    feedback = [i for i, line in enumerate(behind) if " can0 101#" in line]
    del behind[feedback[30]]
    (tmp_path / "b.log").write_text("".join(behind), "ascii")
    result = inspect([tmp_path / "a.log", tmp_path / "b.log"], CART)
    assert len(of_kind(result, "not_covered")) == 1
    (lost,) = of_kind(result, "loss")
    assert lost.text == "1 frame of SteerFeedback was lost; its counter went on."
    assert [finding.kind for finding in serious(result)] == ["not_covered", "loss"]
