"""How a command ends, whatever happens: a status, at most one sentence, never a traceback."""

from __future__ import annotations

import os
import pty
import shutil
import subprocess
import sys
import textwrap
from typing import TYPE_CHECKING

import pytest

from canmap.base.errors import printable
from tests.e2e.shell import CART, COMMAND, DEMO, LONGEST_S, ROOT, canmap, demo_lines, environment
from tests.e2e.test_processes import drained

if TYPE_CHECKING:
    from pathlib import Path

SHORT = "specs/orchard_cart/scenarios/short_drive.yaml"
COMMANDS = {
    "inspect": ["inspect", DEMO, "--spec", CART, "--json", "{folder}/out.json"],
    "replay": ["replay", DEMO, "--spec", CART, "--pace", "flat", "--json", "{folder}/out.json"],
    "export": ["export", DEMO, "--spec", CART, "--into", "{folder}/out.jsonl"],
    "transcribe": ["transcribe", DEMO, "--into", "{folder}/out.log"],
    "simulate": ["simulate", SHORT, "--into", "{folder}/out.log"],
    "topics": ["topics", CART, "--into", "{folder}/src"],
    "formats": ["formats"],
}
# What every command comes to in the middle of its work.
INSIDE = {
    "inspect": "canmap.engine.engine:Engine.fold",
    "replay": "canmap.engine.engine:Engine.fold",
    "export": "canmap.engine.engine:Engine.fold",
    "transcribe": "canmap.outputs.captures.writers:write_text",
    "simulate": "canmap.simulator.simulation:recorded",
    "topics": "canmap.outputs.packages:whole_files",
    "formats": "canmap.base.extras:is_installed",
}
THROWN = {
    "MemoryError()": (2, "there is not enough memory"),
    "RecursionError('deep')": (2, "nested too deeply"),
    "KeyboardInterrupt()": (130, "interrupted"),
    "ValueError('odd \\x1b[31m')": (2, "this is a fault of canmap (ValueError: odd \\x1b[31m, at "),
    "SystemError('odd')": (2, "this is a fault of canmap (SystemError"),
    "FileNotFoundError(2, 'gone', 'x')": (2, "gone"),
    "ImportError('half')": (2, "the installation is not complete"),
    "Odd('not even an Exception')": (2, "this is a fault of canmap (Odd"),
}


def shell(line: str, folder: Path = ROOT) -> subprocess.CompletedProcess[bytes]:
    line = line.replace("CANMAP", " ".join(COMMAND))
    return subprocess.run(
        ["bash", "-c", line], cwd=folder, env=environment(), capture_output=True, timeout=60, check=False
    )


@pytest.mark.parametrize("thrown", THROWN)
@pytest.mark.parametrize("name", COMMANDS)
def test_whatever_is_thrown_is_a_status_and_a_sentence(tmp_path: Path, name: str, thrown: str) -> None:
    module, _, place = INSIDE[name].partition(":")
    program = f"""
        import importlib, sys
        class Odd(BaseException): pass
        def fail(*a, **k): raise {thrown}
        import canmap.outputs.captures.writers as captures
        *owners, last = {place.split(".")!r}
        owner = importlib.import_module({module!r})
        for one in owners: owner = getattr(owner, one)
        setattr(owner, last, fail)
        if last == "write_text": captures._IN_ONE_GO[".log"] = fail
        from canmap.cli.main import main
        main()
    """
    arguments = [one.format(folder=tmp_path) for one in COMMANDS[name]]
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *arguments],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    status, sentence = THROWN[thrown]
    assert (done.returncode, done.stderr.count("\n")) == (status, 1), done.stderr
    assert sentence in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["inspect", "replay", "export", "transcribe"])
def test_a_thread_that_cannot_be_started_is_a_status_and_a_sentence(tmp_path: Path, name: str) -> None:
    program = """
        import threading
        def refuse(*arguments): raise RuntimeError("can't start new thread")
        threading.Thread.start = refuse  # as the system does it where a limit of processes is reached
        from canmap.cli.main import main
        main()
    """
    arguments = [one.format(folder=tmp_path) for one in COMMANDS[name]]
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *arguments],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    told = "canmap: no thread can be started; end other programs, or raise the limit of processes.\n"
    assert (done.returncode, done.stderr) == (2, told)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("library", ["click", "numpy", "canmap.cli.app", "canmap.cli.options", "yaml"])
@pytest.mark.parametrize(("thrown", "status"), [("KeyboardInterrupt", 130), ("MemoryError", 2)])
def test_what_is_thrown_while_the_rest_is_imported(library: str, thrown: str, status: int) -> None:
    program = f"""
        import sys
        class Finder:
            def find_spec(self, name, path=None, target=None):
                if name == {library!r}: raise {thrown}
        sys.meta_path.insert(0, Finder())
        from canmap.cli.main import main
        main()
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), "inspect", DEMO, "--spec", CART],
        cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (status, "", 1), done.stderr


CLEAN = f"inspect captures/clean_drive.log --spec {CART}"
FAULTY = f"inspect {DEMO} --spec {CART}"


@pytest.mark.parametrize(
    ("line", "status"),
    [
        (f"CANMAP {CLEAN} 2>&-", 0),
        (f"CANMAP {CLEAN} >&-", 0),
        (f"CANMAP {CLEAN} >&- 2>&-", 0),
        (f"CANMAP {CLEAN} <&- >&- 2>&-", 0),
        (f"CANMAP {FAULTY} 2>&-", 1),
        (f"CANMAP {FAULTY} >&-", 1),
        (f"CANMAP {CLEAN} >/dev/full", 2),
        (f"CANMAP {CLEAN} >/dev/full 2>/dev/full", 2),
        (f"CANMAP inspect none.log --spec {CART} 2>/dev/full", 2),
        (f"CANMAP inspect none.log --spec {CART} 2>&-", 2),
        (f"CANMAP inspect none.log --spec {CART} >&- 2>&-", 2),
        ("CANMAP inspect 2>/dev/full", 2),
        ("CANMAP --bogus 2>&-", 2),
        (f"CANMAP {CLEAN} --json - >/dev/full", 2),
        ("CANMAP formats >/dev/full", 2),
    ],
)
def test_whatever_is_closed_or_full(line: str, status: int) -> None:
    done = shell(line)
    assert done.returncode == status, done.stderr.decode()
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


def test_what_the_shell_closed_is_not_taken_by_a_file(tmp_path: Path) -> None:
    shell(f"CANMAP {FAULTY} --json {tmp_path}/out.json >&- 2>&-")
    assert (tmp_path / "out.json").read_text().startswith('{\n "schema"')
    assert (tmp_path / "out.json").read_text().endswith("\n}\n")


@pytest.mark.parametrize("options", ["--json -", ""])
def test_a_reader_of_json_that_goes_away_ends_it_as_one_of_lines(options: str) -> None:
    done = shell(f"CANMAP {FAULTY} {options} | true; echo ${{PIPESTATUS[0]}}")
    assert (done.stdout.split()[-1], done.stderr) == (b"141", b"")


HOSTILE = "can\x1b[31m\x1b]0;title\x07\x9b2J\u202e\u2066\u200f"
RAW = ("\x1b", "\x07", "\x9b", "\u202e", "\u2066", "\u200f", "\x85", "\u2028")


def assert_harmless(said: str) -> None:
    assert [one for one in RAW if one in said] == []


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """A capture whose channel, a spec whose texts and files whose names would steer a terminal."""
    lines = "".join(demo_lines()).replace("can0", "can\x1b]0;x\x07\u202e")
    (tmp_path / "a.log").write_text(lines, encoding="utf-8")
    shutil.copy(ROOT / "specs/orchard_cart/kit.dbc", tmp_path / "kit.dbc")
    spec = (
        "vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\nrecords:\n"
        "  steering: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n"
    )
    (tmp_path / "spec.yaml").write_text(spec, encoding="utf-8")
    (tmp_path / "odd.yaml").write_text(spec.replace("Cart", '"A\\u202eB"'), encoding="utf-8")
    (tmp_path / "odder.yaml").write_text(spec.replace("Cart", "A\u202eB"), encoding="utf-8")
    shutil.copy(ROOT / DEMO, tmp_path / f"{HOSTILE}.log")
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        ["inspect", "a.log", "--spec", "spec.yaml"],
        ["replay", "a.log", "--spec", "spec.yaml", "--pace", "flat"],
        ["inspect", "a.log", "--spec", "odd.yaml"],
        ["inspect", "a.log", "--spec", "odder.yaml"],
        ["inspect", f"{HOSTILE}.log", "--spec", "spec.yaml"],
        ["inspect", f"no{HOSTILE}.log", "--spec", "spec.yaml"],
        ["inspect", "a.log", "--spec", f"no{HOSTILE}.yaml"],
        ["inspect", "a.log", "--spec", "spec.yaml", "--description", f"drive=no{HOSTILE}.dbc"],
        ["inspect", "a.log", "--spec", "spec.yaml", "--json", f"no/{HOSTILE}"],
        ["inspect", "a.log", "--spec", "spec.yaml", f"--{HOSTILE}"],
        ["inspect", "a.log", "--spec", "spec.yaml", "--from", HOSTILE],
        ["inspect", "a.log", "--spec", "spec.yaml", "--channel", HOSTILE],
        [HOSTILE],
        ["transcribe", f"{HOSTILE}.log", "--into", f"{HOSTILE}.csv"],
        ["transcribe", f"{HOSTILE}.log", "--into", f"{HOSTILE}.txt"],
        ["transcribe", "a.log", "--into", "b.csv"],
        ["transcribe", "a.log", "--channel", HOSTILE, "--into", "b.csv"],
        ["simulate", f"no{HOSTILE}.yaml", "--into", "x.log"],
    ],
    ids=lambda arguments: printable(" ".join(arguments))[:60],
)
def test_no_text_from_outside_steers_a_terminal(hostile: Path, arguments: list[str]) -> None:
    done = canmap(*arguments, cwd=hostile)
    assert_harmless(done.stdout + done.stderr)
    assert done.stdout + done.stderr


def test_a_channel_of_a_trc_capture_steers_no_terminal(hostile: Path) -> None:
    """Channels are free text in the columns of a `.trc`; here on a real terminal, with rich's own colours."""
    head = ";$FILEVERSION=2.1\n;$STARTTIME=43000.5\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
    lines = "".join(
        f"{n:7} {n * 10:13.3f} DT \x1b]2;own\x07\x9b31m\u202e 0100 Rx - 2    01 02\n" for n in range(1, 9)
    )
    (hostile / "a.trc").write_text(head + lines, encoding="utf-8")
    master, slave = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, "inspect", "a.trc", "--spec", "spec.yaml"],
        cwd=hostile, env=environment(TERM="xterm"), stdout=slave, stderr=slave,
    ) as process:  # fmt: skip
        os.close(slave)
        said = ""
        while process.poll() is None:
            said += drained(master)
        said += drained(master)
    os.close(master)
    assert "\x1b]" not in said
    assert "\x9b" not in said
    assert "\u202e" not in said
    assert "Traceback" not in said


def test_printable_tells_what_would_steer() -> None:
    # ECMA-48: C0 0x00-0x1F, DEL, C1 0x80-0x9F. Unicode UAX #9: bidirectional formatting characters.
    steering = [*range(0x20), *range(0x7F, 0xA0), 0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F)]
    steering += range(0x2066, 0x206A)
    for number in steering:
        told = printable(f"a{chr(number)}b")
        assert told.isascii()
        assert told.isprintable()
        assert told in (f"a\\x{number:02x}b", f"a\\u{number:04x}b")
    assert printable("30 °C, Größe, 車") == "30 °C, Größe, 車"
    assert printable(os.fsdecode(b"a\xffb")) == "a\\xffb"


UNUSABLE = {
    "none": ("none.x", "there is no such file; check the path."),
    "below a file": ("kit.dbc/none.x", "as a part of its path is not a folder; check the path."),
    "loop": ("loop.x", "as its symbolic links lead in a circle; check the path."),
    "folder": ("folder.x", "this is a folder; name a file in it."),
    "long": ("x" * 300, "as its name is longer than the system allows; check the path."),
}
AS_INPUT = {
    "capture": ["inspect", "{}", "--spec", "spec.yaml"],
    "spec": ["inspect", "a.log", "--spec", "{}"],
    "description": ["inspect", "a.log", "--spec", "spec.yaml", "--description", "drive={}"],
    "scenario": ["simulate", "{}", "--into", "x.log"],
    "faults": ["simulate", str(ROOT / SHORT), "--faults", "{}", "--into", "x.log"],
    "transcribed": ["transcribe", "{}", "--into", "x.log"],
}


@pytest.mark.parametrize("what", UNUSABLE)
@pytest.mark.parametrize("use", AS_INPUT)
def test_one_sentence_for_a_file_that_cannot_be_read(hostile: Path, use: str, what: str) -> None:
    (hostile / "loop.x").symlink_to("loop.x")
    (hostile / "folder.x").mkdir()
    name, sentence = UNUSABLE[what]
    done = canmap(*(one.format(name) for one in AS_INPUT[use]), cwd=hostile)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert done.stderr.startswith(f"canmap: {name[:60]}")
    assert done.stderr.rstrip().endswith(sentence)


@pytest.mark.parametrize(
    ("item", "sentence"),
    [
        ("none.yaml", "There is no file `none.yaml`: the path is relative to this file."),
        ("loop.x", "`loop.x`: the file cannot be opened, as its symbolic links lead in a circle"),
        ('"a\\0b"', "character that is not allowed in a text file"),
        ("folder.x", "`folder.x`: this is a folder; name a file in it."),
    ],
)
def test_an_include_that_cannot_be_read(hostile: Path, item: str, sentence: str) -> None:
    (hostile / "loop.x").symlink_to("loop.x")
    (hostile / "folder.x").mkdir()
    (hostile / "top.yaml").write_text(f"include: [{item}]\n" + (hostile / "spec.yaml").read_text())
    done = canmap("inspect", "a.log", "--spec", "top.yaml", cwd=hostile)
    assert done.returncode == 2
    assert sentence in done.stderr


@pytest.mark.parametrize(
    "option", [["inspect", "a.log", "--spec", "spec.yaml", "--json"], ["transcribe", "a.log", "--into"]]
)
@pytest.mark.parametrize("name", ["loop.log", "", "none/x.log", "kit.dbc/x.log", "y" * 300 + ".log"])
def test_a_place_that_cannot_be_written(hostile: Path, option: list[str], name: str) -> None:
    (hostile / "loop.log").symlink_to("loop.log")
    done = canmap(*option, name, cwd=hostile)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert "fault of canmap" not in done.stderr


def test_an_empty_name_of_a_simulated_capture() -> None:
    done = canmap("simulate", SHORT, "--into", "")
    assert done.returncode == 2
    assert "no capture is written with this ending" in done.stderr


def test_names_that_are_no_utf8(hostile: Path) -> None:
    name = os.fsdecode(b"a\xff")
    shutil.copy(ROOT / DEMO, hostile / f"{name}.log")
    for ending in (".parquet", ".db", ".mf4", ".log"):
        done = canmap("transcribe", f"{name}.log", "--into", f"b{name}{ending}", cwd=hostile)
        assert done.returncode == 0, done.stderr
        assert "ba\\xff" in done.stdout
        done = canmap("inspect", f"b{name}{ending}", "--spec", "spec.yaml", "--json", "-", cwd=hostile)
        assert done.returncode < 2, done.stderr
    done = canmap("simulate", str(ROOT / SHORT), "--into", f"c{name}.log", cwd=hostile)
    assert done.returncode == 0, done.stderr
    truth = (hostile / f"c{name}.yaml").read_text(encoding="utf-8")
    assert truth.startswith("# Ground truth of ca\\xff.log, simulated.")


def test_a_folder_that_is_gone(tmp_path: Path) -> None:
    (tmp_path / "gone").mkdir()
    done = shell(f"rmdir ../gone; CANMAP inspect {ROOT / DEMO} --spec spec.yaml", tmp_path / "gone")
    assert done.returncode == 2
    assert done.stderr == (
        b"canmap: spec.yaml: the file cannot be opened, as the folder in which this runs is gone; "
        b"check the path.\n"
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can run a command as somebody else")
def test_permission_is_told_as_such(hostile: Path) -> None:
    program = """
        import os, sys
        from canmap.cli.main import main
        import canmap.cli.app, canmap.cli.inspect, canmap.api.inspect, canmap.engine.run, canmap.outputs.guard
        import canmap.frames.text.log, canmap.mapping.description.database
        os.setgroups([]); os.setgid(65534); os.setuid(65534)
        main()
    """
    hostile.chmod(0o755)
    for above in hostile.parents[:2]:
        above.chmod(0o755)
    (hostile / "closed").mkdir(mode=0o700)
    shutil.copy(hostile / "a.log", hostile / "closed" / "a.log")
    shutil.copy(hostile / "a.log", hostile / "mine.log")
    (hostile / "mine.log").chmod(0o600)
    for name, sentence in (
        ("mine.log", "mine.log: you may not read this file; change its permissions."),
        (
            "closed/a.log",
            "closed/a.log: the file cannot be opened, as you may not enter the folder closed; "
            "check the path.",
        ),
    ):
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(program), "inspect", name, "--spec", "spec.yaml"],
            cwd=hostile, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (2, f"canmap: {sentence}\n")


@pytest.mark.parametrize("columns", ["0", "-5", "wide", ""])
def test_a_width_that_is_none_is_not_used(columns: str) -> None:
    done = canmap("inspect", DEMO, "--spec", CART, COLUMNS=columns)
    plain = canmap("inspect", DEMO, "--spec", CART, COLUMNS="120")
    assert done.stdout == plain.stdout
    assert "SteerFeedback was silent" in done.stdout


def test_the_lines_of_a_command_are_printed_in_one_place() -> None:
    for path in (ROOT / "canmap/cli").glob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path.name not in ("printing.py", "main.py"):
            assert "click.echo" not in text, path
            for allowed in ("out.print(", "super().print(", "def print(self"):  # of the console of a screen
                text = text.replace(allowed, "")
            assert "print(" not in text, path
        if path.name != "progress.py":  # it prints numbers alone
            assert ".write(" not in text.replace("file.write(", ""), path
