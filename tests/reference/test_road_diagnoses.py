"""Faults put into a real recording, diagnosed: what its short spec can tell, and what it says it cannot."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canmap.api.diagnose import diagnose
from canmap.diagnosis.evidence import Atom
from canmap.diagnosis.scoring import Decision
from tests.reference.road import BODY, SPEC, STEER, WHEELS, Line, edited, recording

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.diagnosis.diagnosis import EpisodeDiagnosis


@pytest.fixture(scope="module")
def lines(shared: Path) -> list[Line]:
    return recording(shared)


def diagnosed(lines: list[Line], folder: Path) -> list[EpisodeDiagnosis]:
    capture = folder / "drive.log"
    capture.write_text("".join(f"{line}\n" for line in lines), encoding="ascii")
    return list(diagnose(capture, SPEC).episodes)


def without(lines: list[Line], can_ids: set[int] | None, start_s: float, end_s: float) -> list[Line]:
    """Without some identifiers, all for None, for a while."""

    def gone(line: Line) -> bool:
        return (can_ids is None or line.can_id in can_ids) and start_s <= line.t_us / 1e6 < end_s

    return [line for line in lines if not gone(line)]


def test_the_drive_itself_has_no_episode(lines: list[Line], tmp_path: Path) -> None:
    assert diagnosed(lines, tmp_path) == []


@pytest.mark.parametrize("can_id", [STEER, WHEELS, BODY])
def test_a_message_that_stopped(lines: list[Line], can_id: int, tmp_path: Path) -> None:
    """The others go on; whether the node did, nothing tells, as the spec names no sender."""
    (one,) = diagnosed(without(lines, {can_id}, 10.0, 10.4), tmp_path)
    assert "task_stopped" in [scored.cause.key for scored in one.judgement.first]
    assert {Atom.REACH, Atom.COUNTER, Atom.DEMAND, Atom.STOP_CHAIN} <= {lack.atom for lack in one.lacks}


def test_nothing_recorded(lines: list[Line], tmp_path: Path) -> None:
    """Without counters a recorder that paused and a clock that was set look the same: never a wrong root."""
    (one,) = diagnosed(without(lines, None, 10.0, 11.0), tmp_path)
    named = {scored.cause.key for scored in one.judgement.first}
    assert named & {"recording_stopped", "clock_set"}
    assert one.judgement.decision is not Decision.ROOT


def test_a_clock_that_was_set_back(lines: list[Line], tmp_path: Path) -> None:
    def back(line: Line) -> Line:
        return replace(line, t_us=line.t_us - 3_000_000) if line.t_us >= 10_000_000 else line

    (one,) = diagnosed(edited(lines, back), tmp_path)
    assert [scored.cause.key for scored in one.judgement.first] == ["clock_set"]
