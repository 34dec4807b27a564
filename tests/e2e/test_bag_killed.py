"""Bags whose writer, a process of its own, is killed at any moment: what it left is read, and finished."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import NonSeekingReader, SeekingReader

from canmap.outputs.bags.bagfinish import finish_bag
from tests.baggroups import many, read_rows, rows_of, streamed_rows

ROOT = Path(__file__).parent.parent.parent
MESSAGES, STEP = 20_000, 250
# Says when it begins to write, writes for some seconds, and ends as the command line does on SIGTERM.
PROGRAM = f"""
    import signal, sys, time
    from tests.baggroups import *

    groups = many({MESSAGES})
    steps = steps_of(groups, range(0, {MESSAGES}, {STEP}))
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    writer = BagWriter(sys.argv[1], [one.topic for one in groups], lambda _: "", ORIGIN, full_bytes=1 << 16)
    print("begun", flush=True)
    try:
        for step in steps:
            writer.write(step)
            time.sleep(0.01)
    except BaseException:
        writer.close(whole=False)
        raise
    writer.close(whole=True)
"""


def ended_by(folder: Path, number: signal.Signals, after_s: float) -> tuple[Path, int]:
    """The part that a writer left that got a signal some time after it began, and its exit status."""
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(PROGRAM), str(folder / "a.mcap")],
        cwd=ROOT, env=dict(os.environ), stdout=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == b"begun\n"
        time.sleep(after_s)
        process.send_signal(number)
        status = process.wait(30)
    (part,) = folder.iterdir()
    assert part.name == "a.mcap.part"
    return part, status


@cache
def wanted() -> list[tuple[str, int, bytes]]:
    groups = many(MESSAGES)
    return rows_of(groups, [group.topic for group in groups])


@pytest.mark.parametrize("after_s", [0.0, *np.random.default_rng(11).uniform(0.05, 0.7, 9).round(3).tolist()])
def test_of_a_killed_writer_every_complete_chunk_is_read_and_finished(tmp_path: Path, after_s: float) -> None:
    part, status = ended_by(tmp_path, signal.SIGKILL, after_s)
    assert status == -signal.SIGKILL
    rows = streamed_rows(part)
    assert rows == wanted()[: len(rows)]
    if after_s > 0.3:
        assert rows
    told = finish_bag(str(part), str(tmp_path / "b.mcap"))
    assert told.damaged == 0
    for reader in (SeekingReader, NonSeekingReader):
        assert read_rows(tmp_path / "b.mcap", reader) == rows


def test_of_a_writer_that_is_asked_to_end_everything_is_there(tmp_path: Path) -> None:
    part, status = ended_by(tmp_path, signal.SIGTERM, 0.3)
    assert status == 143
    told = finish_bag(str(part), str(tmp_path / "b.mcap"))
    assert (told.dropped_bytes, told.damaged) == (0, 0)
    assert told.messages % STEP == 0  # not in the middle of a step
    assert 0 < told.messages < MESSAGES
    assert read_rows(tmp_path / "b.mcap", SeekingReader) == wanted()[: told.messages]
