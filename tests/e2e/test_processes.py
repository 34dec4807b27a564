"""Terminals, pipes and Ctrl-C, with real ones."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import textwrap
import time
from typing import TYPE_CHECKING

import pytest

from tests.e2e.shell import CART, COMMAND, DEMO, LONGEST_S, ROOT, demo_lines, environment, repeated

if TYPE_CHECKING:
    from pathlib import Path


LAPS = 120  # of the demo capture: 23 MB
LONG_LAPS = 600


def start(*arguments: str, **pipes: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen([*COMMAND, *arguments], cwd=ROOT, env=environment(), **pipes)  # type: ignore[call-overload]


def drained(terminal: int) -> str:
    """What was written to a terminal so far."""
    said = b""
    while select.select([terminal], [], [], 0.1)[0]:
        try:
            piece = os.read(terminal, 65536)
        except OSError:  # the other side has closed it
            break
        if not piece:
            break
        said += piece
    return said.decode("utf-8")


def trickle(process: subprocess.Popen[bytes], pause_s: float) -> None:
    """Give a long capture to standard input, the end of it in pieces.

    Some 10 MB are read ahead before the first frame is looked at.
    """
    assert process.stdin is not None
    text = repeated(LAPS).encode("ascii")
    for begin, stop in ((0, 16), (16, 20), (20, 99)):
        process.stdin.write(text[begin << 20 : stop << 20])
        process.stdin.flush()
        time.sleep(pause_s)
    process.stdin.close()


def test_a_terminal_shows_progress_and_takes_it_away() -> None:
    master, slave = pty.openpty()
    with start(
        "inspect", "-", "--spec", CART, "--json", "-",
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=slave,
    ) as process:  # fmt: skip
        os.close(slave)
        trickle(process, 0.7)
        assert process.stdout is not None
        said = process.stdout.read()
        process.wait(LONGEST_S)
    shown = drained(master)
    os.close(master)
    assert json.loads(said)["capture"]["frames"] == LAPS * len(demo_lines())
    assert process.returncode == 1
    assert "frames, " in shown
    assert "s of recording" in shown
    assert shown.endswith("\r\x1b[K")  # nothing of it stays
    assert "Traceback" not in shown


def test_the_share_on_a_terminal_grows_and_is_that_of_the_frames(tmp_path: Path) -> None:
    capture = tmp_path / "long.log"
    capture.write_text(repeated(LONG_LAPS))
    frames = LONG_LAPS * len(demo_lines())
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 120, 0, 0))
    with start("inspect", str(capture), "--spec", CART, stdout=subprocess.DEVNULL, stderr=slave) as process:
        os.close(slave)
        shown = ""
        while process.poll() is None:
            shown += drained(master)
        shown += drained(master)
    os.close(master)
    assert process.returncode == 1
    line = (
        r"\r *(\d+)%  ([\d,]+) frames, ([\d,]+) s of recording, [\d.]+ million frames a second, (\d+) s left"
    )
    told = [tuple(int(one.replace(",", "")) for one in match) for match in re.findall(line, shown)]
    assert len(told) >= 3, shown
    assert told == sorted(told, key=lambda one: one[:3])  # share, frames and time grow together
    # The file is the demo over and over, so that the share of its bytes is that of its frames and of its
    # time, but for the block of 4 MiB that is in hand, and half a percent of rounding.
    block = 100 * (4 << 20) / capture.stat().st_size + 0.5
    for share, so_far, recorded_s, _ in told:
        assert share == pytest.approx(100 * so_far / frames, abs=block)
        assert recorded_s == pytest.approx(12 * so_far / len(demo_lines()), abs=12)
    assert 50 < told[-1][0] < 100  # it went on to its end, and was not done before that
    assert shown.endswith("\r\x1b[K")


def test_a_screen_is_as_wide_as_its_terminal() -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 64, 0, 0))
    env = {name: value for name, value in environment(TERM="xterm").items() if name != "COLUMNS"}
    with subprocess.Popen(
        [*COMMAND, "inspect", DEMO, "--spec", CART], cwd=ROOT, env=env, stdout=slave, stderr=slave
    ) as process:
        os.close(slave)
        said = ""
        while process.poll() is None:
            said += drained(master)
        said += drained(master)
    os.close(master)
    lines = [re.sub(r"\x1b\[[0-9;]*[mK]", "", line) for line in re.split(r"[\r\n]+", said)]
    assert "SteerFeedback was silent" in said
    assert max(map(len, lines)) <= 64


def test_a_reader_that_goes_away_ends_it_quietly() -> None:
    with start(
        "replay", DEMO, "--spec", CART, "--pace", "flat", "--every", "0",
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(LONGEST_S) == 128 + signal.SIGPIPE


def test_one_line_of_a_screen() -> None:
    line = subprocess.run(
        ["sh", "-c", f"{' '.join(COMMAND)} inspect {DEMO} --spec {CART} | head -1"],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=True,
    )  # fmt: skip
    assert line.stdout == f"Orchard cart: {DEMO}\n"
    assert line.stderr == ""


@pytest.mark.parametrize("arguments", [["inspect", DEMO, "--spec", CART], ["--help"]])
def test_a_full_disk_behind_standard_output(arguments: list[str]) -> None:
    with open("/dev/full", "wb") as full:  # noqa: PTH123
        process = start(*arguments, stdout=full, stderr=subprocess.PIPE)
        _, said = process.communicate(timeout=LONGEST_S)
    assert said == b"canmap: the output cannot be written: no space left on device.\n"
    assert process.returncode == 2


@pytest.mark.parametrize("command", [["inspect"], ["replay", "--pace", "flat"]])
def test_control_c_ends_it_and_leaves_no_file(tmp_path: Path, command: list[str]) -> None:
    place = tmp_path / "out.json"
    with start(
        *command, "-", "--spec", CART, "--json", str(place),
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdin is not None
        # More than a pipe holds: once it is written, the command is reading. And more may come.
        process.stdin.write((ROOT / DEMO).read_bytes())
        process.stdin.flush()
        process.send_signal(signal.SIGINT)
        assert process.wait(LONGEST_S) == 130
        assert process.stderr is not None
        assert process.stderr.read().strip() == b"interrupted"
    assert list(tmp_path.iterdir()) == []


def test_control_c_in_a_paced_replay_gives_the_findings_so_far(tmp_path: Path) -> None:
    with start(
        "replay", DEMO, "--spec", CART, "--pace", "1", "--json", str(tmp_path / "out.json"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline()
        began_s = time.monotonic()
        process.send_signal(signal.SIGINT)
        assert process.wait(LONGEST_S) == 130
        assert time.monotonic() - began_s < 5  # of the 12 s that are left
        said = process.stdout.read().decode()
        assert process.stderr is not None
        assert process.stderr.read().startswith(b"interrupted; ")
    found = json.loads((tmp_path / "out.json").read_text())
    assert [path.name for path in tmp_path.iterdir()] == ["out.json"]
    assert 0 < found["capture"]["frames"] < len(demo_lines())
    assert f"{found['verdict'].upper()}: " in said


# Which libraries, and which modules of others, a command leaves alone.
UNNEEDED = {"numpy.ma", "can", "click.shell_completion", "hashlib", "xml.etree.ElementTree"}
OF_INSPECT = {*UNNEEDED, "rich.table", "canmap.cli.export", "canmap.cli.simulate"}
OF_SIMULATE = {
    *UNNEEDED, "json", "rich", "shutil", "sqlite3", "tempfile", "canmap.cli.inspect", "canmap.engine",
    "canmap.findings", "canmap.simulator.live", "canmap.simulator.scenario.fault_kinds",
}  # fmt: skip
SIMULATE = ["simulate", "specs/orchard_cart/scenarios/short_drive.yaml", "--into"]


@pytest.mark.parametrize("command", ["inspect", "simulate"])
def test_the_time_to_the_first_frame_is_not_spent_on_what_is_not_needed(command: str, tmp_path: Path) -> None:
    program = """
        import atexit, gc, sys
        def tell():
            print(gc.isenabled(), sum(one["collections"] for one in gc.get_stats()), *sys.modules)
        atexit.register(tell)
        from canmap.cli.main import main
        main()
    """
    simulate = [*SIMULATE, str(tmp_path / "drive.log")]
    arguments, unneeded = (
        (["inspect", DEMO, "--spec", CART], OF_INSPECT) if command == "inspect" else (simulate, OF_SIMULATE)
    )
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *arguments],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    enabled, collections, *imported = done.stdout.splitlines()[-1].split()
    assert enabled == "False"  # at the end
    assert int(collections) < 20  # with the interpreter's own settings there are over a hundred
    assert f"canmap.cli.{command}" in imported
    assert unneeded & set(imported) == set()
