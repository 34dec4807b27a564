"""However a run into a bag is cut short, it says that the `.part` stays, and what makes a whole bag of it."""

from __future__ import annotations

import shlex
import subprocess
import sys
import textwrap
from typing import TYPE_CHECKING

import pytest
from mcap.reader import SeekingReader

from tests.baggroups import read_rows
from tests.e2e.shell import CART, DEMO, LONGEST_S, ROOT, canmap, environment

if TYPE_CHECKING:
    from pathlib import Path

# `canmap`, to which something happens whenever it has written a step into a bag.
PROGRAM = """
    import signal, sys
    from canmap.base.errors import CaptureError
    from canmap.outputs.bags.bagsink import BagSink
    write, asked = BagSink.write, []
    def written(self, step):
        write(self, step)
        {happens}
    BagSink.write = written
    from canmap.cli.main import main
    main()
"""
FAILS = "raise CaptureError('The capture is gone.')"
ONCE = "self in asked or asked.append(self) or signal.raise_signal(signal.SIGINT)"
STAYS = "canmap: {into}.part stays, with every complete chunk; {finish} makes a whole bag of it.\n"


def cut_short(happens: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    program = textwrap.dedent(PROGRAM).format(happens=happens)
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, arguments)],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("command", "happens", "status", "said"),
    [
        (["export"], "signal.raise_signal(signal.SIGINT)", 130, "interrupted\n"),
        (["export"], "signal.raise_signal(signal.SIGTERM)", 143, ""),
        (["export"], FAILS, 2, "canmap: The capture is gone.\n"),
        (["replay", "--pace", "flat"], FAILS, 2, "canmap: The capture is gone.\n"),
        # The first Ctrl-C of a replay ends it in order, with a whole bag; the second cuts it short.
        (["replay", "--pace", "flat"], "signal.raise_signal(signal.SIGINT)", 130, "interrupted\n"),
    ],
)
@pytest.mark.parametrize("is_there", [False, True], ids=["new", "there"])
def test_a_part_that_stays_is_told_with_what_finishes_it(
    tmp_path: Path, command: list[str], happens: str, status: int, said: str, *, is_there: bool
) -> None:
    into = tmp_path / "a drive.mcap"
    if is_there:
        into.write_bytes(b"an older bag")
    name, *options = command
    overwrite = ["--overwrite"] if is_there else []
    done = cut_short(happens, name, DEMO, "--spec", CART, "--into", into, *options, *overwrite)
    finish = ["canmap", "export", f"{into}.part", "--into", str(into), *overwrite]
    assert done.stderr == said + STAYS.format(into=into, finish=shlex.join(finish))
    assert done.returncode == status
    assert canmap(*finish[1:]).returncode == 0
    assert read_rows(into, SeekingReader)


@pytest.mark.parametrize("happens", ["pass", ONCE], ids=["at its end", "after one Ctrl-C"])
def test_nothing_stays_of_a_bag_that_became_whole(tmp_path: Path, happens: str) -> None:
    into = tmp_path / "a.mcap"
    done = cut_short(happens, "replay", DEMO, "--spec", CART, "--into", into, "--pace", "flat")
    assert done.returncode == (1 if happens == "pass" else 130)
    assert "stays" not in done.stderr
    assert list(tmp_path.iterdir()) == [into]
