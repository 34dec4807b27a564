"""Faults of counters put into a real recording: each is found as its kind, and nothing else is.

The recorded steering sensor has four bits that nothing uses: they get a counter, in the order of its frames.
The recorder stamped in batches, several frames at once: a counter must not ask their stamps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.findings.finding import Severity
from tests.reference.road import BATCH_S, SPEC, STEER, Line, recording, serious, times_s

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.findings.finding import Finding
    from canmap.results.inspection import Inspection

COUNTER = ' SG_ Counter : 7|4@0+ (1,0) [0|15] "" Logger\n'
OF_SENSOR = "messages: {SteerSensor: {counter: {signal: Counter}}}\n"


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    """The recording with the counter."""
    return counted(recording(shared))


def counted(lines: list[Line]) -> list[Line]:
    count, found = 0, []
    for line in lines:
        if is_steering(line):
            found.append(replace(line, data=f"{count % 16:X}{line.data[1:]}"))
            count += 1
        else:
            found.append(line)
    return found


def is_steering(line: Line) -> bool:
    return line.can_id == STEER and line.channel == "can0"


def inspected(lines: list[Line], folder: Path) -> Inspection:
    text = SPEC.read_text(encoding="utf-8")
    (folder / "road.yaml").write_text(text.replace("records:", f"{OF_SENSOR}records:", 1), encoding="utf-8")
    described = (SPEC.parent / "road.dbc").read_text(encoding="utf-8")
    place = described.index("\n", described.index("BO_ 37")) + 1
    (folder / "road.dbc").write_text(described[:place] + COUNTER + described[place:], encoding="utf-8")
    capture = folder / "damaged.log"
    capture.write_text("".join(f"{line}\n" for line in lines), encoding="latin-1")
    return canmap.inspect(str(capture), canmap.load_spec(str(folder / "road.yaml")))


def only(result: Inspection, kind: str) -> Finding:
    found = serious(result)
    assert [(f.kind, f.place.message) for f in found] == [(kind, "SteerSensor")], [f.text for f in found]
    return found[0]


def test_as_recorded_its_counter_is_in_turn(lines: list[Line], tmp_path: Path) -> None:
    assert serious(inspected(lines, tmp_path)) == []


def test_one_frame_lost(lines: list[Line], tmp_path: Path) -> None:
    steering = [place for place, line in enumerate(lines) if is_steering(line)]
    gone = steering[700]
    result = inspected(lines[:gone] + lines[gone + 1 :], tmp_path)
    finding = only(result, "loss")
    assert (finding.count, finding.severity) == (1, Severity.WARNING)
    assert result.seconds(finding.start_ns) == pytest.approx(lines[steering[701]].t_us / 1e6, abs=1e-6)


def test_a_tenth_of_the_frames_lost(lines: list[Line], tmp_path: Path) -> None:
    """One of every ten, any of them: more in a row would be a wrong rate too."""
    steering = [place for place, line in enumerate(lines) if is_steering(line)]
    chance = np.random.default_rng(1)
    gone = {place + int(chance.integers(10)) for place in range(0, len(steering) - 10, 10)}
    lost = {steering[number] for number in gone}
    kept = [line for place, line in enumerate(lines) if place not in lost]
    finding = only(inspected(kept, tmp_path), "loss")
    sent, came = len(times_s(lines, STEER)), len(times_s(kept, STEER))
    assert finding.count == sent - came
    assert finding.facts["share"] == pytest.approx(1 - came / sent, abs=0.002)


def test_every_frame_twice_with_its_counter_standing(lines: list[Line], tmp_path: Path) -> None:
    """A sender that hands over each frame of three seconds twice, one in place of the next."""
    steering = [place for place, line in enumerate(lines) if is_steering(line)]
    first = next(n for n, place in enumerate(steering) if lines[place].t_us >= 10_000_000)
    doubled = list(lines)
    for number in range(250):
        place, sent = steering[first + number], lines[steering[first + number // 2]]
        doubled[place] = replace(lines[place], data=sent.data)
    for number in range(first + 250, len(steering)):  # it goes on where it was
        place = steering[number]
        doubled[place] = replace(lines[place], data=f"{(number - 125) % 16:X}{lines[place].data[1:]}")
    result = inspected(doubled, tmp_path)
    finding = only(result, "counter")
    assert (finding.count, finding.severity) == (125, Severity.ERROR)
    assert result.seconds(finding.start_ns) == pytest.approx(10.0, abs=2 * BATCH_S)
    assert result.record_summaries["steering"].count == len(steering) - 125


def test_a_sender_whose_counter_stands_for_two_seconds(lines: list[Line], tmp_path: Path) -> None:
    held, stands = 0, []
    for line in lines:
        if is_steering(line) and 10.0 <= line.t_us / 1e6 < 12.0:
            held += 1
        stands.append(held)
    stuck = [
        replace(line, data=f"{(int(line.data[0], 16) - held) % 16:X}{line.data[1:]}")
        if is_steering(line)
        else line
        for line, held in zip(lines, stands, strict=True)
    ]
    result = inspected(stuck, tmp_path)
    finding = only(result, "counter")
    assert finding.count == held
    assert f"{held} frames repeated it and are not used" in finding.text
    start_s, end_s = (result.seconds(t_ns) for t_ns in (finding.start_ns, finding.end_ns))
    assert (start_s, end_s) == pytest.approx((10.0, 12.0), abs=2 * BATCH_S)


def test_a_silence_in_which_the_sender_was_restarted(lines: list[Line], tmp_path: Path) -> None:
    before = [line for line in lines if not is_steering(line) or line.t_us < 10_000_000]
    after = counted([line for line in lines if is_steering(line) and line.t_us >= 10_500_000])
    result = inspected(sorted(before + after, key=lambda line: line.t_us), tmp_path)
    assert {finding.kind for finding in serious(result)} == {"stale", "restart"}
