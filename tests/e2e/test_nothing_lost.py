"""What exists is not lost, and files that belong together appear together."""

from __future__ import annotations

import gzip
import os
import re
import shutil
import signal
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canmap.outputs.captures.writers import write_capture
from tests.captures import mixed
from tests.e2e.shell import COMMAND, DEMO, LONGEST_S, ROOT, canmap, environment
from tests.simulated import scenario_of, short_drive

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canmap.frames.chunks import FrameChunk

CART_FOLDER = ROOT / "specs" / "orchard_cart"
FRAGMENT = "vehicle: Cart\n"
SPEC = (
    "include: [fragment.yaml]\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
    "records:\n  steering: {type: Steering, stamp: SteerFeedback, wheel_angle: SteerFeedback.Angle}\n"
)
INSPECT = ["inspect", "demo.log", "--spec", "spec.yaml", "--description", "drive=other.dbc"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(ROOT / DEMO, tmp_path / "demo.log")
    for name in ("kit.dbc", "other.dbc"):
        shutil.copy(CART_FOLDER / "kit.dbc", tmp_path / name)
    (tmp_path / "fragment.yaml").write_text(FRAGMENT)
    (tmp_path / "spec.yaml").write_text(SPEC)
    (tmp_path / "soft.json").symlink_to("demo.log")
    os.link(tmp_path / "demo.log", tmp_path / "hard.json")
    (tmp_path / "away").mkdir()
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize("options", [[], ["--overwrite"]], ids=["plain", "overwrite"])
@pytest.mark.parametrize(
    "place",
    ["demo.log", "./away/../demo.log", "soft.json", "hard.json", "spec.yaml", "fragment.yaml", "other.dbc"],
)
def test_an_inspection_takes_the_place_of_nothing_that_is_read(
    folder: Path, place: str, options: list[str]
) -> None:
    before = contents(folder)
    done = canmap(*INSPECT, "--json", place, *options, cwd=folder)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert f"{place} would replace " in done.stderr
    assert contents(folder) == before


def test_a_description_that_the_spec_names_is_read_too(folder: Path) -> None:
    before = contents(folder)
    done = canmap(
        "inspect", "demo.log", "--spec", "spec.yaml", "--json", "kit.dbc", "--overwrite", cwd=folder
    )
    assert "kit.dbc would replace kit.dbc, which is an input" in done.stderr
    assert contents(folder) == before


def test_standard_input_is_an_input_too(folder: Path) -> None:
    before = contents(folder)
    line = f"{' '.join(COMMAND)} inspect - --spec spec.yaml --json demo.log --overwrite <demo.log"
    done = subprocess.run(
        ["sh", "-c", line], cwd=folder, env=environment(), capture_output=True, timeout=LONGEST_S, check=False
    )
    assert done.returncode == 2
    assert b"demo.log would replace standard input" in done.stderr
    assert contents(folder) == before


@pytest.mark.parametrize(
    ("command", "option", "place"),
    [
        (["inspect", "demo.log", "--spec", "spec.yaml"], "--json", "notes.json"),
        (["replay", "demo.log", "--spec", "spec.yaml", "--pace", "flat"], "--json", "notes.json"),
        (["transcribe", "demo.log"], "--into", "notes.log"),
        (["simulate", "drive.yaml"], "--into", "notes.log"),
        (["simulate", "drive.yaml"], "--into", "mine.log"),  # mine.yaml is there
    ],
)
def test_what_exists_is_replaced_only_where_that_is_said(
    folder: Path, command: list[str], option: str, place: str
) -> None:
    scenario_of(folder, short_drive(1.5))
    scenario = next(path for path in folder.glob("*.yaml") if "scenario:" in path.read_text())
    command = [str(scenario) if word == "drive.yaml" else word for word in command]
    mine = folder / ("mine.yaml" if place == "mine.log" else place)
    mine.write_text("mine\n")
    done = canmap(*command, option, place, cwd=folder)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert f"{mine.name} exists; name another file, or give --overwrite." in done.stderr
    assert mine.read_text() == "mine\n"
    assert canmap(*command, option, place, "--overwrite", cwd=folder).returncode < 2
    assert mine.read_text() != "mine\n"


def test_a_command_replaces_its_own_results_and_what_is_empty(folder: Path) -> None:
    (folder / "out.json").touch()
    for _ in range(2):
        assert canmap(*INSPECT, "--json", "out.json", cwd=folder).returncode < 2
    scenario = scenario_of(folder, short_drive(1.5)).path
    for _ in range(2):
        assert canmap("simulate", scenario, "--into", "made.log", cwd=folder).returncode == 0


def test_the_truth_of_another_capture_is_not_replaced(folder: Path) -> None:
    scenario = scenario_of(folder, short_drive(1.5)).path
    assert canmap("simulate", scenario, "--into", "made.log", cwd=folder).returncode == 0
    done = canmap("simulate", scenario, "--into", "made.asc", cwd=folder)
    assert "made.yaml exists" in done.stderr
    assert not (folder / "made.asc").exists()


def test_the_truth_takes_not_the_place_of_the_spec(folder: Path) -> None:
    for name in ("cart.yaml", "kit.dbc", "chassis.dbc", "scenarios/short_drive.yaml"):
        shutil.copy(CART_FOLDER / name, folder / Path(name).name)
    cart = folder / "cart.yaml"
    cart.write_text(cart.read_text().replace("../../shared", str(ROOT / "shared")))
    scenario = folder / "short_drive.yaml"
    scenario.write_text(scenario.read_text().replace("../cart.yaml", "cart.yaml"))
    before = contents(folder)
    done = canmap("simulate", scenario, "--into", "cart.log", "--overwrite", cwd=folder)
    assert done.returncode == 2
    assert "would replace" in done.stderr
    assert contents(folder) == before


def test_a_capture_goes_into_a_pipe_as_it_comes(folder: Path) -> None:
    pipe = folder / "pipe.log"
    os.mkfifo(pipe)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    done = canmap("transcribe", "demo.log", "--into", "pipe.log", cwd=folder)
    reader.join(10)
    assert (done.returncode, got) == (0, [(folder / "demo.log").read_bytes()])
    assert pipe.is_fifo()
    os.mkfifo(folder / "pipe.mf4")
    done = canmap("transcribe", "demo.log", "--into", "pipe.mf4", cwd=folder)
    assert "pipe.mf4 is not an ordinary file; only .log, .pcap, .pcapng are written." in done.stderr


def test_standard_output_by_its_path_is_not_replaced(folder: Path) -> None:
    line = f"{' '.join(COMMAND)} inspect demo.log --spec spec.yaml --json /dev/stdout >out.txt"
    subprocess.run(["sh", "-c", line], cwd=folder, env=environment(), timeout=LONGEST_S, check=False)
    said = (folder / "out.txt").read_text()
    assert '"schema": "canmap/inspection/1"' in said
    assert "Cart: demo.log" in said


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL])
@pytest.mark.parametrize("after_s", [0.6, 0.8, 1.0, 1.3])
def test_a_capture_and_its_truth_appear_together(
    tmp_path: Path, number: signal.Signals, after_s: float
) -> None:
    scenario = scenario_of(tmp_path, short_drive(1.5)).path
    place = tmp_path / "made"
    place.mkdir()
    with subprocess.Popen(
        [*COMMAND, "simulate", str(scenario), "--into", str(place / "x.log")],
        cwd=ROOT, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        time.sleep(after_s)
        process.send_signal(number)
        process.wait(LONGEST_S)
    names = sorted(path.name for path in place.iterdir())
    if number == signal.SIGKILL:  # nobody can take away what was begun
        names = [name for name in names if not name.startswith(".canmap-")]
        assert not any(name.endswith("-journal") for name in names)
    assert names in ([], ["x.log", "x.yaml"])


def test_what_a_killed_writer_left_is_taken_away_by_the_next_and_what_a_living_one_writes_is_not(
    folder: Path,
) -> None:
    def unfinished() -> list[str]:
        return [path.name for path in place.iterdir() if path.name.startswith(".canmap-")]

    place = folder / "away"
    others = place / ".canmap-another.computer-abc.json"
    others.touch()
    (place / f".canmap-{re.sub('[^A-Za-z0-9]', '', os.uname().nodename)[:32]}-folder").mkdir()
    before = set(unfinished())
    with subprocess.Popen(
        [*COMMAND, "replay", "demo.log", "--spec", "spec.yaml", "--json", "away/killed.json"],
        cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        process.stdout.readline()
        (living,) = set(unfinished()) - before
        assert canmap(*INSPECT, "--json", "away/first.json", cwd=folder).returncode < 2
        assert set(unfinished()) == before | {living}
        process.kill()
        process.wait(LONGEST_S)
    assert set(unfinished()) == before | {living}
    assert canmap(*INSPECT, "--json", "away/second.json", cwd=folder).returncode < 2
    assert set(unfinished()) == before
    assert {path.name for path in place.iterdir()} - before == {"first.json", "second.json"}


@pytest.mark.parametrize("ending", [".log", ".parquet", ".db", ".mf4", ".blf", ".pcapng"])
def test_a_full_disk_is_a_sentence_and_leaves_nothing(folder: Path, ending: str) -> None:
    place = folder / "away"
    line = f"ulimit -f 8; trap '' XFSZ; {' '.join(COMMAND)} transcribe demo.log --into away/x{ending}"
    done = subprocess.run(
        ["sh", "-c", line], cwd=folder, env=limited(), capture_output=True, timeout=LONGEST_S, check=False
    )
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1), done.stderr.decode()
    assert done.stderr.startswith(f"canmap: away/x{ending} cannot be written: ".encode())
    assert b".canmap-" not in done.stderr
    assert list(place.iterdir()) == []


def test_no_frame_for_a_table_leaves_no_temporary_file(folder: Path) -> None:
    for _ in range(3):
        done = canmap("transcribe", "demo.log", "--from", "100", "--into", "away/x.parquet", cwd=folder)
        assert (done.returncode, done.stderr) == (
            2,
            "canmap: demo.log holds no frame from 100 s on: its frames end 11.985 s after the first one; "
            "begin earlier.\n",
        )
    assert list((folder / "away").iterdir()) == []


@pytest.mark.parametrize("command", [[*INSPECT, "--json"], ["transcribe", "demo.log", "--into"]])
def test_a_name_may_be_as_long_as_the_system_allows(folder: Path, command: list[str]) -> None:
    longest = "x" * 251 + ".log"
    assert canmap(*command, longest, cwd=folder).returncode < 2
    assert (folder / longest).stat().st_size > 0
    done = canmap(*command, "x" + longest, cwd=folder)
    assert "cannot be written: its name is longer than the system allows." in done.stderr


def test_the_old_fault_of_a_writer_names_the_file_as_the_user_did(folder: Path) -> None:
    (folder / "early.log").write_text("(-5.000000) can0 123#00\n(-4.000000) can0 123#00\n")
    done = canmap("transcribe", "early.log", "--into", "early.pcapng", cwd=folder)
    assert done.returncode == 2
    assert ".canmap-" not in done.stderr


def limited() -> dict[str, str]:
    """The environment of a process whose files are cut short: Python is to keep none of its modules."""
    return environment(PYTHONDONTWRITEBYTECODE="1")


def test_a_full_temporary_folder_is_called_that(folder: Path) -> None:
    canmap("transcribe", "demo.log", "--into", "demo.db", cwd=folder)
    (folder / "demo.db.gz").write_bytes(gzip.compress((folder / "demo.db").read_bytes()))
    line = (
        f"ulimit -f 8; trap '' XFSZ; TMPDIR=$PWD/away {' '.join(COMMAND)} inspect demo.db.gz --spec spec.yaml"
    )
    done = subprocess.run(
        ["bash", "-c", line],
        cwd=folder,
        env=limited(),
        capture_output=True,
        timeout=LONGEST_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.decode() == f"canmap: {folder}/away cannot take a copy of a capture: file too large.\n"
    assert list((folder / "away").iterdir()) == []


def test_a_database_has_no_journal_that_a_kill_could_leave(tmp_path: Path) -> None:
    seen: list[str] = []

    def chunks() -> Iterator[FrameChunk]:
        for seed in range(20):
            yield mixed(2000, seed)
            seen.extend(path.name for path in tmp_path.iterdir())

    write_capture(str(tmp_path / "a.db"), chunks())
    assert seen
    assert [name for name in seen if name.endswith(("-journal", "-wal"))] == []
