"""Faults put into a real recording, diagnosed: what its short spec can tell, and what it says it cannot.

The truth is what was put in. Without a spec of demands, axes, counters and supplies much is open: then it has
to say so, with the one measurement that would decide, and no cause may be named that is not the truth.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.api.diagnose import diagnose
from canmap.diagnosis.cause_table import cause_table
from canmap.diagnosis.facts.evidence import Atom
from canmap.diagnosis.scoring import Decision
from canmap.diagnosis.telling.deciding import deciding_measurement
from tests.reference.road import BATCH_S, BODY, SPEC, STEER, WHEELS, Line, edited, recording

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.diagnosis.diagnosis import EpisodeDiagnosis

    Fault = Callable[[list[Line]], list[Line]]

FROM_US, AT_US, UNTIL_US = 6_000_000, 10_000_000, 13_000_000  # of the drive, of the fault in it
LACKING = {Atom.COUNTER, Atom.DEMAND, Atom.KIT, Atom.STOP_CHAIN, Atom.SUPPLY, Atom.PHYSICS, Atom.REACH}


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    """Seven seconds of the drive."""
    return [line for line in recording(shared) if FROM_US <= line.t_us < UNTIL_US]


def diagnosed(lines: list[Line], folder: Path) -> list[EpisodeDiagnosis]:
    capture = folder / "drive.log"
    capture.write_text("".join(f"{line}\n" for line in lines), encoding="ascii")
    return list(diagnose(capture, SPEC).episodes)


def _is_in(line: Line, for_ms: int, *can_ids: int) -> bool:
    own = line.channel == "can0" and (not can_ids or line.can_id in can_ids)
    return own and AT_US <= line.t_us < AT_US + 1_000 * for_ms


def gone(for_ms: int, *can_ids: int) -> Fault:
    return lambda lines: [line for line in lines if not _is_in(line, for_ms, *can_ids)]


def nothing_for_a_second(lines: list[Line]) -> list[Line]:
    return [line for line in lines if not AT_US <= line.t_us < AT_US + 1_000_000]


def clock_stepped(by_us: int) -> Fault:
    return lambda lines: [
        replace(line, t_us=line.t_us + by_us) if line.t_us >= AT_US else line for line in lines
    ]


def a_tenth_lost(lines: list[Line]) -> list[Line]:
    chance = np.random.default_rng(1)
    return edited(lines, lambda line: None if _is_in(line, 9_999, STEER) and chance.random() < 0.1 else line)


def frames_that_waited(lines: list[Line]) -> list[Line]:
    waiting = 0

    def hold(line: Line) -> Line:
        nonlocal waiting
        if not _is_in(line, 200):
            return line
        waiting += 1
        return replace(line, t_us=AT_US + 200_000 + 250 * waiting)

    return sorted(edited(lines, hold), key=lambda line: line.t_us)


def a_wheel_that_stays(lines: list[Line]) -> list[Line]:
    held: list[str] = []

    def freeze(line: Line) -> Line:
        if not _is_in(line, 9_999, WHEELS):
            return line
        held.append(line.data[4:8])
        return replace(line, data=line.data[:4] + held[0] + line.data[8:])

    return edited(lines, freeze)


def an_angle_that_jumps(lines: list[Line]) -> list[Line]:
    """By 60 degrees, which is 40 counts of AngleCoarse."""

    def offset(line: Line) -> Line:
        if not _is_in(line, 9_999, STEER):
            return line
        raw = (int(line.data[1:4], 16) + 40) & 0xFFF
        return replace(line, data=f"{line.data[0]}{raw:03X}{line.data[4:]}")

    return edited(lines, offset)


def error_frames(lines: list[Line]) -> list[Line]:
    """A protocol violation every 5 ms, as SocketCAN text has them."""
    errors = [Line(AT_US + 5_000 * i, "can0", 0x2000_0008, "0000040000000000") for i in range(100)]
    return sorted([*lines, *errors], key=lambda line: line.t_us)


def a_flood(lines: list[Line]) -> list[Line]:
    """Of the highest priority: nothing else gets through."""
    flood = [Line(AT_US + 260 * i, "can0", 0x001, "00" * 8) for i in range(2_000)]
    return sorted([*gone(520)(lines), *flood], key=lambda line: line.t_us)


# What was put in, and the causes that are true of it: where the message is its node's only one, nobody can
# tell the task from the node.
FAULTS: dict[str, tuple[Fault, set[str]]] = {
    "one of two messages of a node": (gone(400, WHEELS), {"task_stopped"}),
    "the other of the two": (gone(400, BODY), {"task_stopped"}),
    "the only message of a node": (gone(400, STEER), {"task_stopped", "node_dead"}),
    "the same for good": (gone(9_999, STEER), {"task_stopped", "node_dead"}),
    "messages of two nodes": (gone(600, STEER, WHEELS), set()),
    "nothing recorded": (nothing_for_a_second, {"recording_stopped", "clock_set"}),
    "clock set back": (clock_stepped(-3_000_000), {"clock_set"}),
    "clock set forward": (clock_stepped(2_000_000), {"recording_stopped", "clock_set"}),
    "frames lost": (a_tenth_lost, {"sender_loss", "stub"}),
    "frames that waited": (frames_that_waited, {"recorder_stalled"}),
    "a value that stays": (a_wheel_that_stays, {"old_values"}),
    "a value that jumps": (an_angle_that_jumps, {"angle_offset"}),
    "error frames": (error_frames, {"wiring", "stub"}),
    "a flood": (a_flood, {"flood"}),
}
NAMED = {  # by what the short spec holds
    *("one of two messages of a node", "the other of the two", "clock set back"),
    *("frames that waited", "a flood"),
}


def test_the_drive_itself_has_no_episode(lines: list[Line], tmp_path: Path) -> None:
    assert diagnosed(lines, tmp_path) == []


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_gets_its_root_or_is_left_open(name: str, lines: list[Line], tmp_path: Path) -> None:
    fault, truth = FAULTS[name]
    (one,) = diagnosed(fault(lines), tmp_path)
    named = {scored.cause.key for scored in one.judgement.first}
    if one.judgement.decision is Decision.UNDETERMINED:
        assert not named or named & truth
    else:
        assert named & truth, named
    if name in NAMED:
        assert one.judgement.decision is Decision.ROOT
    else:
        assert bool(deciding_measurement(one, cause_table())) == (one.judgement.decision is not Decision.ROOT)
    lacks = {lack.atom for lack in one.lacks}
    assert lacks == LACKING | (set() if name == "error frames" else {Atom.BUS})
    low_s, high_s = (one.case.result.seconds(moment) for moment in one.begins_ns)
    at_s = (AT_US - lines[0].t_us) / 1e6
    assert low_s - BATCH_S <= at_s <= high_s + BATCH_S or name == "frames lost"  # which shows later
