"""Two recorders on one bus, with clocks that differ and different begins and ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import canmap
from canmap.checks.finding import Kind, Severity
from tests.e2e.shell import CART, DEMO, ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.inspection import Inspection


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


def serious(result: Inspection) -> list[tuple[Kind, str | None]]:
    return [
        (finding.kind, finding.place.message)
        for finding in result.findings
        if finding.severity is not Severity.NOTE
    ]


def test_no_frame_is_doubled_in_silence(tmp_path: Path) -> None:
    result = inspected(tmp_path, (0, 3, 0), (1, 4.5, 3_000))
    assert (Kind.DUPLICATE, None) in serious(result)
    shared = next(finding for finding in result.findings if finding.kind is Kind.DUPLICATE)
    assert 0.9 < result.seconds(shared.start_ns) < 1.1
    assert 2.9 < result.seconds(shared.end_ns) < 3.1
    assert not any(kind is Kind.STALE for kind, _ in serious(result))


def test_no_message_is_stale_where_one_recorder_had_stopped(tmp_path: Path) -> None:
    result = inspected(tmp_path, (0, 2, 0), (3, 4.9, 5_000))
    assert serious(result) == []  # a second without a recorder: not covered
    steering = next(message for message in result.messages if message.name == "SteerFeedback")
    assert steering.period.longest_ns is not None
    assert steering.period.longest_ns < 12_000_000
