"""What goes wrong for a user: one clear sentence of what, where and what to do, and status 2.

Most commands run in the process of the tests, from their arguments to their exit status, because there are
many of them; one of each kind runs in a process of its own.
"""

from __future__ import annotations

import random
import shutil
from typing import TYPE_CHECKING

import pytest

from tests.e2e.shell import CART, DEMO, ROOT, canmap, demo_lines

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

    from tests.e2e.shell import Command

HEAD = "vehicle: Cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
STEERING = "records:\n  steering:\n    type: Steering\n    stamp: SteerFeedback\n"
KIT = ROOT / "specs" / "orchard_cart" / "kit.dbc"


def refused(done: subprocess.CompletedProcess[str], lines: int = 1) -> str:
    """The sentences of a command that must have failed and shown nothing else."""
    said = done.stderr.splitlines()
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert len(said) == lines, done.stderr
    assert all(line.startswith("canmap: ") and line.endswith((".", "?")) for line in said), done.stderr
    return "\n".join(line.removeprefix("canmap: ") for line in said)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the demo capture, the cart's description, and broken captures beside them."""
    shutil.copy(ROOT / DEMO, tmp_path / "demo.log")
    shutil.copy(KIT, tmp_path / "kit.dbc")
    (tmp_path / "cart.yaml").write_text(HEAD + STEERING + "    wheel_angle: SteerFeedback.Angle\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def make_captures(folder: Path) -> None:
    (folder / "empty.log").touch()
    (folder / "binary.log").write_bytes(random.Random(1).randbytes(3000))
    (folder / "garbage.log").write_text("hello\nit is not a log\n")
    (folder / "folder.log").mkdir()
    (folder / "torn.log.gz").write_bytes(b"\x1f\x8bgarbage")


@pytest.mark.parametrize(
    ("captures", "sentence"),
    [
        (["none.log"], "none.log: there is no such file; check the path."),
        (["folder.log"], "folder.log: this is a folder; name a file in it."),
        (["empty.log"], "empty.log: the file is empty; check that the recorder wrote it."),
        (
            ["binary.log"],
            "binary.log: this is not a text log, it holds binary data; the known formats are .log",
        ),
        (["garbage.log"], "garbage.log holds no frame: none of 2 lines can be read. Line 1 of garbage.log"),
        (["torn.log.gz"], "torn.log.gz: the file is damaged from its beginning"),
        (["demo.log", "none.log"], "none.log: there is no such file"),
        (["-", "-"], "Standard input (-) is named twice"),
        ([""], "The name of a capture is empty; name a file, or - for standard input."),
        (["demo.log", "./demo.log"], "demo.log is named twice, and all its frames would count twice"),
    ],
)
def test_captures(folder: Path, command: Command, captures: list[str], sentence: str) -> None:
    make_captures(folder)
    assert sentence in refused(command("inspect", *captures, "--spec", "cart.yaml"))


def test_a_spec_without_a_name(folder: Path, command: Command) -> None:
    said = refused(command("inspect", "demo.log", "--spec", ""))
    assert said == "The name of the spec is empty; name one."


def test_several_mistakes_of_a_spec_are_told_together(folder: Path, command: Command) -> None:
    fields = (
        "    wheel_angle: SteerFeedback.Angel\n"
        "    torque: {signal: SteerFeedback.Torque, range: [0 km/h, 5 Nm]}\n"
    )
    (folder / "spec.yaml").write_text(HEAD + STEERING + fields)
    said = refused(command("inspect", "demo.log", "--spec", "spec.yaml"), lines=2).splitlines()
    assert said[0] == "spec.yaml:8:18: SteerFeedback has no signal `Angel`; did you mean `Angle`?"
    assert said[1].startswith("spec.yaml:9:52: ")


ANGLE = STEERING + "    wheel_angle: SteerFeedback.Angle\n"
SPECS = {
    "wrong name": (
        ANGLE.replace("stamp: SteerFeedback", "stamp: SteerFeedbak"),
        "spec.yaml:7:12: No description has a message `SteerFeedbak`; did you mean `SteerFeedback`?",
    ),
    "unit of another kind": (
        STEERING + "    wheel_angle: {signal: SteerFeedback.Angle, range: [0 km/h, 1 rad]}\n",
        "spec.yaml:8:56: The unit `km/h` does not convert to rad.",
    ),
    "unknown unit": (
        STEERING + "    wheel_angle: {signal: SteerFeedback.Angle, unit: furlong}\n",
        "spec.yaml:8:54: ",
    ),
    "unknown key": (
        "rekords: {}\n",
        "spec.yaml:4:1: A spec has no key `rekords`; did you mean `records`?",
    ),
    "key twice": (
        "vehicle: Other\n",
        "spec.yaml:4:1: The key `vehicle` is given twice; first on line 1.",
    ),
    "tab": ("records:\n\tsteering: {}\n", "spec.yaml:5:1: A tab indents this line: use spaces."),
    "loop": ("include: [spec.yaml]\n", "spec.yaml:4:11: `spec.yaml` includes itself"),
    "missing fragment": (
        "include: [nothing.yaml]\n",
        "spec.yaml:4:11: There is no file `nothing.yaml`: the path is relative to this file.",
    ),
}


@pytest.mark.parametrize("mistake", SPECS)
def test_specs(folder: Path, command: Command, mistake: str) -> None:
    text, sentence = SPECS[mistake]
    (folder / "spec.yaml").write_text(HEAD + text)
    done = command("inspect", "demo.log", "--spec", "spec.yaml")
    assert (done.returncode, done.stdout) == (2, "")
    assert sentence in done.stderr
    assert done.stderr.startswith("canmap: spec.yaml:")
    assert len(done.stderr.splitlines()) == 1


def test_a_bomb_of_aliases_does_no_harm(folder: Path, command: Command) -> None:
    text = ["a: &a [x, x, x, x, x, x, x, x, x, x]"]
    for name, inner in zip("bcdefghij", "abcdefghi", strict=True):
        text.append(f"{name}: &{name} [{', '.join([f'*{inner}'] * 10)}]")
    (folder / "spec.yaml").write_text("\n".join(text) + "\n")
    done = command("inspect", "demo.log", "--spec", "spec.yaml")  # ten thousand million x
    assert done.returncode == 2
    assert "Anchors are not used in a spec: write the value out." in done.stderr


@pytest.mark.parametrize(
    ("spec", "sentence"),
    [
        ("none.yaml", "none.yaml: "),
        (".", ".: "),
        ("demo.log", "demo.log:1:1: "),
        ("empty.yaml", "empty.yaml: "),
    ],
)
def test_specs_that_are_none(folder: Path, command: Command, spec: str, sentence: str) -> None:
    (folder / "empty.yaml").touch()
    assert refused(command("inspect", "demo.log", "--spec", spec)).startswith(sentence)


DESCRIPTIONS = {
    "syntax": (
        "Angle : 0|16",
        "Angle 0|16",
        "`SteerFeedback.Angle` is not read (broken.dbc:10: signal Angle of message SteerFeedback cannot be ",
    ),
    "overlap": (
        "Angle : 0|16",
        "Angle : 1|16",
        "SteerFeedback.Angle is not read, because it shares bits with Rate (broken.dbc:10); "
        "correct it under `correct`, as `SteerFeedback.Angle: {start_bit: ..., bits: ..., reason: ...}`.",
    ),
}


@pytest.mark.parametrize("mistake", DESCRIPTIONS)
def test_descriptions(folder: Path, command: Command, mistake: str) -> None:
    before, after, sentence = DESCRIPTIONS[mistake]
    text = KIT.read_text(encoding="utf-8")
    assert before in text
    (folder / "broken.dbc").write_text(text.replace(before, after), encoding="utf-8")
    said = refused(command("inspect", "demo.log", "--spec", "cart.yaml", "--description", "drive=broken.dbc"))
    assert sentence in said


def test_a_description_that_is_not_there(folder: Path, command: Command) -> None:
    said = refused(command("inspect", "demo.log", "--spec", "cart.yaml", "--description", "drive=no.dbc"))
    assert said.startswith("no.dbc: there is no such file")
    (folder / "spec.yaml").write_text(HEAD.replace("kit.dbc", "no.dbc"))
    said = refused(command("inspect", "demo.log", "--spec", "spec.yaml"))
    assert said.startswith("spec.yaml:3:24: There is no file `no.dbc`")


OPTIONS = [
    (["--from", "nan"], "--from nan is not a time; give seconds from the first frame."),
    (["--from", "-1"], "--from -1 is not a time"),
    (["--to", "1e300"], "--to 1e+300 is not a time"),
    (["--from", "5", "--to", "5"], "--from 5 and --to 5 leave no time between them."),
    (["--from", "100"], "demo.log holds no frame from 100 s on: its frames end"),
    (["--from", "soon"], "Invalid value for '--from': soon is not a number; write seconds without a unit,"),
    (
        ["--to", "5s"],
        "5s is not a number; write seconds without a unit, such as 2.5. See 'canmap inspect --help'.",
    ),
    (["--channel", "drive"], "--channel drive is not of the form BUS=CHANNEL."),
    (["--description", "drive"], "--description drive is not of the form BUS=FILE."),
    (["--channel", "drive=can0", "--channel", "drive=can1"], "--channel names drive twice; name it once."),
    (["--json", "folder/"], "folder/ is a folder; name a file in it."),
    (
        ["--channel", "can1=drive"],
        "--channel BUS=CHANNEL: The spec cart.yaml has no bus `can1`; there is only `drive`.",
    ),
    (["--description", "x.dbc=drive"], "--description BUS=FILE: The spec cart.yaml has no bus `x.dbc`;"),
    (["--bogus"], "No such option '--bogus'. See 'canmap inspect --help'."),
    (
        ["--chanel", "drive=can1"],
        "(Did you mean one of: '--channel', '--help'?) See 'canmap inspect --help'.",
    ),
    (["--json", ""], "The name of the file to write is empty"),
    (["--json", "."], ". is a folder; name a file in it."),
    (["--json", "missing/out.json"], "missing/out.json cannot be written: there is no folder missing."),
    (["--json", "/dev/full"], "/dev/full cannot be written: no space left on device."),
]


@pytest.mark.parametrize(("options", "sentence"), OPTIONS, ids=[" ".join(options) for options, _ in OPTIONS])
def test_options(folder: Path, command: Command, options: list[str], sentence: str) -> None:
    done = command("inspect", "demo.log", "--spec", "cart.yaml", *options)
    assert done.returncode == 2
    assert sentence in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("canmap: ")


REPLAY_OPTIONS = [
    (["--pace", "0"], "--pace 0 is neither a positive number nor flat."),
    (["--pace", "fast"], "--pace fast is neither"),
    (["--record", "motor"], "cart.yaml makes no record motor; it makes steering."),
    (["--every", "inf"], "--every inf is not a time"),
    (["--every", "-1"], "--every -1 is not a time"),
]


@pytest.mark.parametrize(
    ("options", "sentence"), REPLAY_OPTIONS, ids=[" ".join(o) for o, _ in REPLAY_OPTIONS]
)
def test_replay_options(folder: Path, command: Command, options: list[str], sentence: str) -> None:
    assert sentence in refused(command("replay", "demo.log", "--spec", "cart.yaml", *options))


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["bogus"], "No such command 'bogus'. See 'canmap --help'."),
        (["inspct"], "No such command 'inspct'. Did you mean 'inspect'? See 'canmap --help'."),
        (["inspect", "demo.log"], "Missing option '--spec'. See 'canmap inspect --help'."),
        (["inspect", "--spec", "cart.yaml"], "Missing argument 'CAPTURE"),
    ],
)
def test_arguments(folder: Path, command: Command, arguments: list[str], sentence: str) -> None:
    assert sentence in refused(command(*arguments))


def test_damage_within_a_capture_is_a_finding_and_the_rest_is_used(folder: Path, command: Command) -> None:
    lines = demo_lines()[:1500]
    lines[700] = "(1760000002.1) what is this\n"
    (folder / "damaged.log").write_text("".join(lines)[:-20], encoding="ascii")
    done = command("inspect", "damaged.log", "--spec", "cart.yaml")
    assert done.returncode == 0
    assert "1 bad line" in " ".join(done.stdout.split())
    assert "Line 701 of damaged.log cannot be read" in done.stdout
    assert "damaged.log ends before it should, in the middle of a line" in " ".join(done.stdout.split())


def test_nothing_is_written_when_the_work_fails(folder: Path, command: Command) -> None:
    before = sorted(path.name for path in folder.iterdir())
    refused(command("inspect", "demo.log", "--spec", "none.yaml", "--json", "out.json"))
    assert sorted(path.name for path in folder.iterdir()) == before


def test_two_buses_put_on_one_channel(tmp_path: Path) -> None:
    done = canmap("inspect", ROOT / DEMO, "--spec", ROOT / CART, "--channel", "drive=can1", cwd=tmp_path)
    assert done.returncode == 2
    assert "The buses drive and chassis are both on channel `can1`; give each its own" in done.stderr


def test_the_spec_of_the_demo_is_found_from_anywhere(tmp_path: Path) -> None:
    done = canmap("inspect", ROOT / DEMO, "--spec", ROOT / CART, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (1, "")


OF_THEIR_OWN = {
    "no capture": (["inspect", "none.log", "--spec", "cart.yaml"], "none.log: there is no such file"),
    "nothing on standard input": (["inspect", "-", "--spec", "cart.yaml"], "-: nothing came on"),
    "no spec": (["replay", "demo.log", "--spec", "none.yaml"], "none.yaml: "),
    "no description": (
        ["inspect", "demo.log", "--spec", "cart.yaml", "--description", "drive=no.dbc"],
        "no.dbc: there is no such file",
    ),
    "an option": (["replay", "demo.log", "--spec", "cart.yaml", "--pace", "0"], "--pace 0 is neither"),
    "no room": (
        ["inspect", "demo.log", "--spec", "cart.yaml", "--json", "/dev/full"],
        "/dev/full cannot be written: no space left on device.",
    ),
}


@pytest.mark.parametrize("mistake", OF_THEIR_OWN)
def test_in_a_process_of_its_own(folder: Path, mistake: str) -> None:
    arguments, sentence = OF_THEIR_OWN[mistake]
    done = canmap(*arguments, cwd=folder)
    assert done.returncode == 2
    assert done.stderr.startswith(f"canmap: {sentence}")
    assert len(done.stderr.splitlines()) == 1
