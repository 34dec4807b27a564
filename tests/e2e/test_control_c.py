"""Ctrl-C at any moment: it ends within two seconds, with its status and one word, and leaves no file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from typing import TYPE_CHECKING

import pytest

from tests.e2e.shell import CART, COMMAND, DEMO, ROOT, canmap, environment, repeated

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SOON_S = 2
LAPS = 120
INSPECT = ["inspect"]
REPLAY = ["replay", "--pace", "flat"]
# Until it listens, Python itself answers, with its own traceback.
START = """
    import sys
    from canmap.cli.ending import EndingSignal
    from canmap.cli.main import main
    listen = EndingSignal.listen
    def begin(self):
        listen(self)
        sys.stderr.write("begun\\n")
        sys.stderr.flush()
    EndingSignal.listen = begin
    main()
"""
# A signal comes while Python runs a callback of its own, and what is raised there it drops. The lock of a
# module that is being imported has such a callback.
LOST = """
    import signal, sys, weakref
    class Lock: pass
    class Finder:
        def find_spec(self, name, path=None, target=None):
            if name == "numpy":
                lock = Lock()
                kept = weakref.ref(lock, lambda _: signal.raise_signal(signal.SIGINT))
                del lock
    sys.meta_path.insert(0, Finder())
"""
# A signal comes before a thread of the pool is on the list of those that are told to end.
HALF_STARTED = """
    import signal, threading
    start = threading.Thread.start
    def begin(self):
        start(self)
        if self.name.startswith("canmap"):
            signal.raise_signal(signal.SIGINT)
    threading.Thread.start = begin
"""
# A signal comes while standard error, the second of the streams, gets a new encoder.
TORN = """
    import codecs, signal
    make = codecs.IncrementalEncoder.__init__
    made = []
    def begin(self, errors="strict"):
        made.append(errors)
        if len(made) == 2:
            signal.raise_signal(signal.SIGINT)
        make(self, errors)
    codecs.IncrementalEncoder.__init__ = begin
"""
WORST = {"lost in a callback": LOST, "half-started thread": HALF_STARTED, "torn stream": TORN}


@pytest.fixture
def endless(tmp_path: Path) -> Iterator[int]:
    """Standard input that holds nothing and never ends."""
    pipe = tmp_path / "endless"
    os.mkfifo(pipe)
    opened = os.open(pipe, os.O_RDWR)
    yield opened
    os.close(opened)


def begin(program: str, arguments: list[str], given: int, folder: Path) -> subprocess.Popen[bytes]:
    out = ["--spec", CART, "--json", str(folder / "out.json")]
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program), *arguments, *out],
        cwd=ROOT, env=environment(), stdin=given, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def ended(process: subprocess.Popen[bytes]) -> tuple[int, bytes]:
    """Return how a process ended within two seconds, and what it said on standard error."""
    with process:
        try:
            _, said = process.communicate(timeout=SOON_S)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    return process.returncode, said


@pytest.mark.parametrize("after_ms", [0, 30, 60, 90, 120, 160, 200, 250, 300, 400, 600])
@pytest.mark.parametrize("command", [INSPECT, REPLAY], ids=["inspect", "replay"])
def test_control_c_at_any_moment_of_waiting_for_input(
    tmp_path: Path, endless: int, command: list[str], after_ms: int
) -> None:
    process = begin(START, [*command, "-"], endless, tmp_path)
    assert process.stderr is not None
    assert process.stderr.readline() == b"begun\n"
    time.sleep(after_ms / 1000)
    process.send_signal(signal.SIGINT)
    assert ended(process) == (130, b"interrupted\n")
    assert [path.name for path in tmp_path.iterdir()] == ["endless"]


def test_control_c_at_any_moment_of_reading_a_file(tmp_path: Path) -> None:
    capture = tmp_path / "long.log"
    capture.write_text(repeated(LAPS))
    for after_ms in (0, 50, 100, 150, 200, 300):
        process = begin(START, ["inspect", str(capture)], subprocess.DEVNULL, tmp_path)
        assert process.stderr is not None
        assert process.stderr.readline() == b"begun\n"
        time.sleep(after_ms / 1000)
        process.send_signal(signal.SIGINT)
        assert ended(process) == (130, b"interrupted\n"), after_ms
        assert [path.name for path in tmp_path.iterdir()] == ["long.log"]


@pytest.mark.parametrize("moment", WORST)
@pytest.mark.parametrize("command", [INSPECT, REPLAY], ids=["inspect", "replay"])
def test_control_c_that_comes_at_the_worst_moment(
    tmp_path: Path, endless: int, command: list[str], moment: str
) -> None:
    captures = [DEMO] if moment == "half-started thread" else ["-"]
    process = begin(
        textwrap.dedent(WORST[moment]) + textwrap.dedent(START), [*command, *captures], endless, tmp_path
    )
    assert ended(process) == (130, b"begun\ninterrupted\n")
    assert [path.name for path in tmp_path.iterdir()] == ["endless"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_control_c_leaves_no_copy_of_a_capture_from_standard_input(
    tmp_path: Path, number: signal.Signals
) -> None:
    canmap("transcribe", DEMO, "--into", tmp_path / "demo.db")
    (tmp_path / "copies").mkdir()
    process = subprocess.Popen(
        [*COMMAND, "inspect", "-", "--spec", CART],
        cwd=ROOT, env=environment(TMPDIR=str(tmp_path / "copies")),
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    process.stdin.write((tmp_path / "demo.db").read_bytes())  # and more may come
    process.stdin.flush()
    while not list((tmp_path / "copies").iterdir()):
        time.sleep(0.01)
    process.send_signal(number)
    assert process.wait(SOON_S) == 128 + number
    process.communicate()
    assert list((tmp_path / "copies").iterdir()) == []


def test_control_c_twice_at_once_is_as_once(tmp_path: Path, endless: int) -> None:
    process = begin(START, ["inspect", "-"], endless, tmp_path)
    assert process.stderr is not None
    process.stderr.readline()
    time.sleep(0.3)
    for _ in range(5):
        process.send_signal(signal.SIGINT)
        time.sleep(0.001)
    assert ended(process) == (130, b"interrupted\n")


def test_what_is_imported_before_control_c_is_answered_is_little() -> None:
    program = (
        "import os, signal, sys; before = set(sys.modules); import canmap.cli.main\n"
        "print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, env=environment(), capture_output=True, check=True
    )
    own = [b"canmap", b"canmap.cli", b"canmap.cli.ending", b"canmap.cli.main", b"canmap.cli.status"]
    assert [name for name in done.stdout.split() if name not in {b"__future__", b"gc"}] == own
