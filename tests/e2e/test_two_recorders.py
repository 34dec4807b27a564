"""Two recorders on one bus, with clocks that differ and different begins and ends."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import canmap
from canmap.findings.finding import Severity
from tests.e2e.shell import CART, DEMO, ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.results.inspection import Inspection


def shifted(line: str, by_us: int) -> str:
    stamp, rest = line[1:].split(")", 1)
    second, micros = stamp.split(".")
    at_us = int(second) * 1_000_000 + int(micros) + by_us
    return f"({at_us // 1_000_000}.{at_us % 1_000_000:06d}){rest}"


def inspected(folder: Path, *spans: tuple[float, float, int]) -> Inspection:
    """Inspect parts of the demo as captures: from and to second of each, and the offset of its clock."""
    lines = (ROOT / DEMO).read_text(encoding="ascii").splitlines(keepends=True)
    first_s = float(lines[0][1:18])
    paths = []
    for number, (from_s, to_s, by_us) in enumerate(spans):
        path = folder / f"{number}.log"
        inside = [line for line in lines if from_s <= float(line[1:18]) - first_s < to_s]
        path.write_text("".join(shifted(line, by_us) for line in inside), encoding="ascii")
        paths.append(str(path))
    return canmap.inspect(paths, canmap.load_spec(str(ROOT / CART)))


def serious(result: Inspection) -> list[tuple[str, str | None]]:
    return [
        (finding.kind, finding.place.message)
        for finding in result.findings
        if finding.severity is not Severity.NOTE
    ]


def test_no_frame_is_doubled_in_silence(tmp_path: Path) -> None:
    result = inspected(tmp_path, (0, 3, 0), (1, 4.5, 3_000))
    assert ("duplicate", None) in serious(result)
    shared = next(finding for finding in result.findings if finding.kind == "duplicate")
    assert 0.9 < result.seconds(shared.start_ns) < 1.1
    assert 2.9 < result.seconds(shared.end_ns) < 3.1
    assert not any(kind == "stale" for kind, _ in serious(result))


def test_no_message_is_stale_where_one_recorder_had_stopped(tmp_path: Path) -> None:
    result = inspected(tmp_path, (0, 2, 0), (3, 4.9, 5_000))
    assert serious(result) == [("not_covered", None)]
    hole = next(finding for finding in result.findings if finding.kind == "not_covered")
    assert hole.text == (
        f"No capture covers channels can0 and can1 for {(hole.end_ns - hole.start_ns) / 1e9:.5g} s "
        "between two captures; nothing is judged there."
    )
    assert 1.95 < result.seconds(hole.start_ns) < 2
    assert 3 < result.seconds(hole.end_ns) < 3.06
    steering = next(message for message in result.messages if message.name == "SteerFeedback")
    assert steering.period.longest_ns is not None
    assert steering.period.longest_ns < 12_000_000


def test_the_files_of_one_recorder_are_as_one_capture(tmp_path: Path) -> None:
    """A silence over the change from one file to the next is one silence, of the same length."""
    spec = canmap.load_spec(str(ROOT / CART))
    drop = ROOT / "captures/steering_drop.log"
    whole = canmap.inspect(drop, spec)
    silence = next(finding for finding in whole.findings if finding.kind == "stale")
    lines = drop.read_bytes().splitlines(keepends=True)
    middle_s = (silence.start_ns + silence.end_ns) / 2e9
    cut = next(i for i, line in enumerate(lines) if float(line[1:18]) > middle_s)
    for name, part in (("a.log", lines[:cut]), ("b.log", lines[cut:])):
        (tmp_path / name).write_bytes(b"".join(part))
    parts = canmap.inspect([tmp_path / "a.log", tmp_path / "b.log"], spec)
    assert [replace(f, line=None) for f in parts.findings] == [replace(f, line=None) for f in whole.findings]
    assert parts.messages == whole.messages
    assert parts.to_json()["records"] == whole.to_json()["records"]
