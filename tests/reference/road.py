"""A recorded road drive, and faults put into it.

Source: the open data set comma2k19 (MIT licence), H. Schafer et al., "A Commute in Data: The comma2k19
Dataset", arXiv:1812.05752 (2018), the first 30 s of its example segment, as a SocketCAN text log.
"""

from __future__ import annotations

import gzip
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import canmap

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

SPEC = Path(__file__).parent.parent / "data" / "road" / "road.yaml"
START_US = 1_700_000_000_000_000
STEER, WHEELS, BODY = 0x025, 0x0AA, 0x0B4
NAMES = {STEER: "SteerSensor", WHEELS: "WheelSpeeds", BODY: "BodySpeed"}
PERIOD_S = {STEER: 0.012, WHEELS: 0.012, BODY: 0.024}
BATCH_S = 0.03  # the recorder stamped in batches, up to this late
WHOLE = "{signal: SumCheck, profile: sum8, order: [identifier, length, payload]}"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the recording: microseconds from its start, channel, identifier, payload digits."""

    t_us: int
    channel: str
    can_id: int
    data: str

    def __str__(self) -> str:
        stamp_us = START_US + self.t_us
        stamp = f"{stamp_us // 1_000_000}.{stamp_us % 1_000_000:06d}"
        return f"({stamp}) {self.channel} {self.can_id:03X}#{self.data}"


def recording(shared: Path) -> list[Line]:
    """The lines of the recording, in its order."""
    lines = []
    with gzip.open(shared / "road-drive" / "frames.log.gz", "rt", encoding="ascii") as file:
        texts = file.readlines()
    for text in texts:
        stamp, channel, frame = text.split()
        second, micros = stamp[1:-1].split(".")
        can_id, data = frame.split("#")
        lines.append(Line(int(second) * 1_000_000 + int(micros) - START_US, channel, int(can_id, 16), data))
    return lines


def times_s(lines: list[Line], can_id: int) -> list[float]:
    """When the frames of one identifier on can0 came, in s from the start."""
    return [line.t_us / 1e6 for line in lines if line.can_id == can_id and line.channel == "can0"]


def protected(folder: Path, steer: str = WHOLE, body: str = WHOLE) -> canmap.Spec:
    """The spec of the drive, with what it says of the checksums of two messages."""
    shutil.copy(SPEC.parent / "road.dbc", folder)
    said = f"messages:\n  SteerSensor: {{checksum: {steer}}}\n  BodySpeed: {{checksum: {body}}}\n"
    path = folder / "protected.yaml"
    path.write_text(SPEC.read_text(encoding="utf-8") + said, encoding="utf-8")
    return canmap.load_spec(str(path))


def inspect_text(text: str, folder: Path, spec: canmap.Spec | None = None) -> Inspection:
    """Inspect a capture with this text, by the spec of the drive or another."""
    capture = folder / "damaged.log"
    capture.write_text(text, encoding="latin-1")
    return canmap.inspect(str(capture), spec or canmap.load_spec(str(SPEC)))


def inspect_lines(lines: list[Line], folder: Path, spec: canmap.Spec | None = None) -> Inspection:
    """Inspect a capture with these lines."""
    return inspect_text("".join(f"{line}\n" for line in lines), folder, spec)


def serious(result: Inspection) -> list[Finding]:
    """Findings that are errors or warnings."""
    return [finding for finding in result.findings if finding.severity is not canmap.Severity.NOTE]


def edited(lines: list[Line], change: Callable[[Line], Line | None]) -> list[Line]:
    """The lines with `change` done to each; None takes a line out."""
    return [line for line in map(change, lines) if line is not None]


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the installed command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "canmap", *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def only(result: Inspection, kind: str, message: str | None = None) -> Finding:
    """The one serious finding, which must be of this kind and on this message."""
    found = serious(result)
    assert [(f.kind, f.place.message) for f in found] == [(kind, message)], [f.text for f in found]
    return found[0]


def span(result: Inspection, finding: Finding) -> tuple[float, float]:
    """When a finding begins and ends, in s from the start of the capture."""
    return result.seconds(finding.start_ns), result.seconds(finding.end_ns)


def without(lines: list[Line], can_ids: set[int], start_s: float, end_s: float) -> list[Line]:
    """The lines without some messages of can0 in a span of time."""

    def change(line: Line) -> Line | None:
        gone = line.can_id in can_ids and line.channel == "can0" and start_s <= line.t_us / 1e6 < end_s
        return None if gone else line

    return edited(lines, change)


def rows_of(lines: list[Line], can_id: int) -> list[int]:
    """Where the frames of an identifier on can0 stand."""
    return [row for row, line in enumerate(lines) if line.can_id == can_id and line.channel == "can0"]
