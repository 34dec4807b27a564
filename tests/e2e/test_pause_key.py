"""Space on a terminal pauses a replay; the terminal is as it was afterwards, however the replay ends."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pytest

from tests.e2e.shell import CART, COMMAND, DEMO, ROOT, environment

if TYPE_CHECKING:
    from types import TracebackType

REPLAY = ["replay", DEMO, "--spec", CART, "--record", "drive", "--every", "0.1"]
LINE = re.compile(r"^ *(\d+\.\d{3}) s  drive", re.MULTILINE)
SOON_S = 20.0


# What a shell does: it leads the session of the terminal, and puts the command into the foreground.
LEADER = """
    import fcntl, os, signal, subprocess, sys, termios
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)
    command = subprocess.Popen(sys.argv[1:], process_group=0, restore_signals=True)
    os.tcsetpgrp(0, command.pid)
    print("started", command.pid, flush=True)
    status = command.wait()
    sys.exit(status if status >= 0 else 128 - status)
"""


class Terminal:
    """A replay on a terminal of its own; a context."""

    def __init__(self, *options: str) -> None:
        self.ours, self.theirs = pty.openpty()
        self.before = self.settings()
        self.process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(LEADER), *COMMAND, *REPLAY, *options],
            cwd=ROOT, env=environment(), stdin=self.theirs, stdout=self.theirs, stderr=self.theirs,
            start_new_session=True,
        )  # fmt: skip
        self.said = ""

    def send(self, number: signal.Signals) -> None:
        os.kill(self.pid(), number)

    def pid(self) -> int:
        found = re.search(r"started (\d+)", self.said)
        assert found is not None
        return int(found[1])

    def is_stopped(self) -> bool:
        state = Path(f"/proc/{self.pid()}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
        return state == "T"

    def settings(self) -> list[Any]:
        return termios.tcgetattr(self.theirs)

    def press(self, key: bytes) -> None:
        os.write(self.ours, key)

    def hear(self, span_s: float) -> str:
        """Return what it says in the next seconds."""
        end_s, heard = time.monotonic() + span_s, ""
        while (left_s := end_s - time.monotonic()) > 0:
            if select.select([self.ours], [], [], left_s)[0]:
                heard += os.read(self.ours, 4096).decode().replace("\r\n", "\n")
        self.said += heard
        return heard

    def hear_until(self, word: str) -> None:
        end_s = time.monotonic() + SOON_S
        while word not in self.said:
            assert time.monotonic() < end_s, self.said
            self.hear(0.02)

    def ended(self) -> int:
        end_s = time.monotonic() + SOON_S
        while self.process.poll() is None:
            assert time.monotonic() < end_s, self.said
            self.hear(0.02)
        self.hear(0.1)
        return self.process.returncode

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            os.kill(self.pid(), signal.SIGKILL)
            self.process.kill()
        self.process.wait()
        os.close(self.ours)
        os.close(self.theirs)


def late_ms(terminal: Terminal) -> int:
    late = re.search(r"No frame came more than (\d+) ms late", terminal.said)
    assert late is not None
    return int(late[1])


def test_space_pauses_and_goes_on() -> None:
    with Terminal("--from", "6", "--to", "8") as terminal:
        terminal.hear_until("6.5")
        assert not terminal.settings()[3] & (termios.ICANON | termios.ECHO)
        terminal.press(b"x ")
        terminal.hear_until("paused; space goes on\n")
        terminal.hear(0.2)
        assert LINE.findall(terminal.hear(0.5)) == []
        terminal.press(b" ")
        terminal.hear_until("\ngoes on\n")
        assert terminal.ended() == 0
        times = [float(found) for found in LINE.findall(terminal.said)]
        assert times == sorted(times)
        assert len(times) == 20  # none is lost, none comes twice
        assert late_ms(terminal) < 500  # the pause is not lateness
        assert terminal.settings() == terminal.before
        assert "space pauses and goes on; Ctrl-C ends\n" in terminal.said
        assert "Traceback" not in terminal.said


def test_control_c_in_a_pause_ends_it() -> None:
    with Terminal("--from", "6") as terminal:
        terminal.hear_until("6.2")
        terminal.press(b" ")
        terminal.hear_until("paused")
        terminal.hear(0.1)
        terminal.press(b"\x03")
        assert terminal.ended() == 130
        assert "PASS: 0 errors" in terminal.said
        assert "interrupted; the report covers only what was read until then\n" in terminal.said
        assert terminal.settings() == terminal.before


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_the_terminal_is_put_back_when_it_is_killed(number: signal.Signals) -> None:
    with Terminal("--from", "6") as terminal:
        terminal.hear_until("6.2")
        terminal.send(number)
        assert terminal.ended() == 128 + number
        assert terminal.settings() == terminal.before


def test_suspended_it_gives_the_terminal_back() -> None:
    with Terminal("--from", "6") as terminal:
        terminal.hear_until("6.2")
        terminal.press(b"\x1a")
        while not terminal.is_stopped():
            time.sleep(0.01)
        assert terminal.settings() == terminal.before
        time.sleep(1)
        terminal.send(signal.SIGCONT)
        terminal.hear_until("6.6")
        assert not terminal.settings()[3] & termios.ICANON
        terminal.press(b"\x03")
        assert terminal.ended() == 130
        assert terminal.settings() == terminal.before
        assert late_ms(terminal) < 500  # nothing is caught up with


def test_without_a_terminal_no_key_is_read() -> None:
    done = subprocess.run(
        [*COMMAND, *REPLAY, "--from", "6", "--to", "6.5"], cwd=ROOT, env=environment(), input=b"   ",
        capture_output=True, timeout=SOON_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
