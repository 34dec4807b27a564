"""However a real process ends, the sink of its run is closed once, and told whether the run was whole."""

from __future__ import annotations

import signal
import subprocess
import sys
import textwrap
from typing import TYPE_CHECKING

import pytest

from tests.e2e.shell import CART, COMMAND, DEMO, LONGEST_S, ROOT, environment

if TYPE_CHECKING:
    from pathlib import Path

# `canmap`, whose printer of lines notes its opening and closing in the file that is named first.
PROGRAM = """
    import sys
    import canmap.cli.lines as lines

    notes = sys.argv.pop(1)

    def note(text):
        with open(notes, "a") as file:
            file.write(text)

    class Noted(lines.LinePrinter):
        def open(self, about):
            note("open")
            super().open(about)

        def close(self, *, whole):
            note(f" close {whole}")
            super().close(whole=whole)

    lines.LinePrinter = Noted
    from canmap.cli.main import main
    main()
"""


class Replay:
    """A replay in a process of its own."""

    def __init__(self, folder: Path, *options: str, stdout: int = subprocess.PIPE) -> None:
        self._notes = folder / "notes"
        self.process = subprocess.Popen(
            [
                sys.executable, "-c", textwrap.dedent(PROGRAM), str(self._notes),
                "replay", DEMO, "--spec", CART, "--every", "0", *options,
            ],
            cwd=ROOT, env=environment(), stdout=stdout, stderr=subprocess.PIPE,
        )  # fmt: skip

    def wait_for_a_line(self) -> None:
        assert self.process.stdout is not None
        assert self.process.stdout.readline()

    def end(self) -> tuple[int, str, str]:
        """Exit status, what was noted, and what was said on standard error."""
        _, said = self.process.communicate(timeout=LONGEST_S)
        noted = self._notes.read_text("utf-8") if self._notes.exists() else ""
        return self.process.returncode, noted, said.decode()


def test_a_run_to_its_end(tmp_path: Path) -> None:
    assert Replay(tmp_path, "--pace", "flat").end() == (1, "open close True", "")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_that_ends_the_process_closes_the_sink_first(tmp_path: Path, number: signal.Signals) -> None:
    replay = Replay(tmp_path, "--pace", "1")
    replay.wait_for_a_line()
    replay.process.send_signal(number)
    assert replay.end() == (128 + number, "open close False", "")


def test_control_c_ends_the_run_early_and_whole(tmp_path: Path) -> None:
    replay = Replay(tmp_path, "--pace", "1")
    replay.wait_for_a_line()
    replay.process.send_signal(signal.SIGINT)
    status, noted, said = replay.end()
    assert (status, noted) == (130, "open close True")
    assert said.startswith("interrupted; ")


def test_a_reader_that_goes_away_fails_the_run(tmp_path: Path) -> None:
    replay = Replay(tmp_path, "--pace", "flat")
    replay.wait_for_a_line()
    assert replay.process.stdout is not None
    replay.process.stdout.close()
    replay.process.stdout = None
    assert replay.end() == (128 + signal.SIGPIPE, "open close False", "")


def test_a_full_disk_fails_the_run(tmp_path: Path) -> None:
    with open("/dev/full", "wb") as full:  # noqa: PTH123
        status, noted, said = Replay(tmp_path, "--pace", "flat", stdout=full.fileno()).end()
    assert (status, noted) == (2, "open close False")
    assert said == "canmap: the output cannot be written: no space left on device.\n"


def test_a_capture_that_cannot_be_read_opens_none(tmp_path: Path) -> None:
    replay = Replay(tmp_path, "--pace", "flat", "none.log")
    status, noted, said = replay.end()
    assert (status, noted) == (2, "")
    assert said.startswith("canmap: none.log")


def test_a_capture_without_a_frame_is_told_of_its_lines_and_fails(tmp_path: Path) -> None:
    (tmp_path / "empty.log").write_text("no frame\n", "utf-8")
    done = subprocess.run(
        [*COMMAND, "replay", str(tmp_path / "empty.log"), "--spec", CART, "--pace", "flat"],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout.startswith("     0.000 s  found  warning bad_line  ")
    assert done.stdout.count("\n") == 1
    assert "holds no frame: none of 1 line can be read" in done.stderr


# A program of a user: two sinks of its own, the first on a disk that is full.
OWN = """
    import canmap

    class File:
        def __init__(self, path):
            self.path = path

        def open(self, about):
            self.file = open(self.path, "w", buffering=1)

        def write(self, step):
            for chunk in step.records:
                self.file.writelines(f"{t_ns}\\n" for t_ns in chunk.clock_ns.tolist())

        def close(self, *, whole):
            print(self.path, whole)
            self.file.close()

    try:
        canmap.inspect("{demo}", "{spec}", sinks=[File("/dev/full"), File("/dev/null")], records="steering")
    except OSError as error:
        print(error.strerror)
"""


def test_a_program_with_a_sink_on_a_full_disk_has_the_other_closed_too() -> None:
    program = textwrap.dedent(OWN).replace("{demo}", DEMO).replace("{spec}", CART)
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=True,
    )  # fmt: skip
    assert done.stdout == "/dev/full False\n/dev/null False\nNo space left on device\n"
