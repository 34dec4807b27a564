"""The share of the work that is said to be done is that of what was folded, or none is said."""

from __future__ import annotations

import gzip
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from canmap.api.transcribe import transcribe
from canmap.engine.engine import Engine
from canmap.engine.intake import Intake
from canmap.engine.run import steps_of
from canmap.frames.readers import open_captures
from canmap.frames.text.log import SIZE
from tests.kits import TICK, spec_of

if TYPE_CHECKING:
    from pathlib import Path

FRAMES = 400_000


def text(first: int, frames: int = FRAMES) -> bytes:
    """Ticks every 10 ms, with payloads that do not pack to nothing."""
    lines = (
        f"({1000 + n // 100}.{n % 100:02}0000) can0 100#{n * 2654435761 % 2**64:016X}\n"
        for n in range(first, first + frames)
    )
    return "".join(lines).encode()


def shares(tmp_path: Path, captures: list[Path]) -> list[tuple[float | None, float]]:
    """What is said to be done at each step, None where nothing is said, and the frames folded of all."""
    engine = Engine(spec_of(tmp_path, TICK))
    intake = Intake(open_captures([str(path) for path in captures]))
    told: list[tuple[int, int | None, int]] = []
    try:
        told.extend((*intake.reached, engine.frames) for _step in steps_of(intake, engine))
    finally:
        intake.close()
    return [(done / total if total else None, frames / engine.frames) for done, total, frames in told]


@pytest.mark.parametrize("ending", [".log", ".log.gz", ".blf", ".mf4", ".db", ".trc"])
def test_the_share_is_of_what_was_folded_and_not_of_what_was_read_ahead(tmp_path: Path, ending: str) -> None:
    log = tmp_path / "all.log"
    log.write_bytes(text(0))
    capture = tmp_path / f"a{ending}"
    if ending == ".log.gz":
        capture.write_bytes(gzip.compress(log.read_bytes(), 1))
    elif ending != ".log":
        transcribe(str(log), str(capture))
    else:
        capture = log
    said = shares(tmp_path, [capture])
    # A block: the bytes of text that are read at once, or the frames of a binary file that come at once,
    # and a fiftieth for the container of a binary log that is read for the first of its frames.
    folded = [0.0, *(folded for _, folded in said)]
    block = max(SIZE / len(log.read_bytes()), *(b - a for a, b in pairwise(folded))) + 0.02
    assert len(said) > 3
    for share, done in said:
        assert share is None or share <= done + block
    assert all(share is None for share, _ in said) == (ending in {".mf4", ".db"})


def test_the_share_of_two_captures_is_of_what_was_folded_of_both(tmp_path: Path) -> None:
    for number in (0, 1):
        (tmp_path / f"{number}.log").write_bytes(text(number * FRAMES))
    said = shares(tmp_path, [tmp_path / "0.log", tmp_path / "1.log"])
    block = SIZE / (2 * len(text(0)))
    assert max(folded - share for share, folded in said[:-1] if share is not None) < 2 * block
    assert all(share is not None and share <= folded + block for share, folded in said)


def test_captures_of_two_kinds_have_no_share_as_their_frames_differ_in_bytes(tmp_path: Path) -> None:
    (tmp_path / "0.log").write_bytes(text(0, 1000))
    (tmp_path / "1.gz").write_bytes(gzip.compress(text(1000, 1000)))
    assert {share for share, _ in shares(tmp_path, [tmp_path / "0.log", tmp_path / "1.gz"])} == {None}
