"""`canmap simulate` as a user runs it: the captures that come with the project, mistakes, and live."""

from __future__ import annotations

import re
import shlex
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import can
import pytest
import yaml

from canmap.simulator.live import simulate_live
from canmap.timing.pace import Pace
from tests.e2e.shell import ROOT, canmap
from tests.simulated import DRIVE, scenario_of, short_drive

if TYPE_CHECKING:
    from tests.e2e.shell import Command

CAPTURES = ROOT / "captures"
CARRIER = ROOT / "specs" / "garden_carrier"
SHORT = "specs/orchard_cart/scenarios/short_drive.yaml"
MADE_BY = re.findall(r"`canmap (simulate [^`]*)`", (CAPTURES / "README.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("command", MADE_BY, ids=lambda command: Path(command.split()[-1]).stem)
def test_a_capture_is_made_by_its_command(command: str, tmp_path: Path) -> None:
    *words, capture = shlex.split(command)
    made = tmp_path / Path(capture).name
    done = canmap(*words, made)
    assert (done.returncode, done.stderr) == (0, "")
    assert made.read_bytes() == (ROOT / capture).read_bytes()
    truth = made.with_suffix(".yaml")
    assert truth.read_bytes() == (ROOT / capture).with_suffix(".yaml").read_bytes()
    assert yaml.safe_load(truth.read_text(encoding="utf-8"))["capture"] == made.name


def test_what_the_channels_are_called_is_said(tmp_path: Path) -> None:
    scenario = scenario_of(tmp_path, short_drive(1.5)).path
    done = canmap("simulate", scenario, "--into", tmp_path / "a.csv")
    assert done.stderr == "The capture mixes the frames of can0 and can1: all are on channel 1.\n"
    done = canmap("simulate", scenario, "--into", tmp_path / "b.asc")
    options = ["--channel", "drive=1", "--channel", "chassis=2"]
    assert done.stderr == (
        f"In the capture, can0 is channel 1, can1 is channel 2. Inspect it with {' '.join(options)}.\n"
    )
    spec = ROOT / "specs/orchard_cart/cart.yaml"
    assert "missing" not in canmap("inspect", tmp_path / "b.asc", "--spec", spec, *options).stdout


def test_every_capture_is_listed_and_all_are_small() -> None:
    logs = sorted(CAPTURES.glob("*.log"))
    assert sorted(path.name for path in logs) == sorted(Path(each.split()[-1]).name for each in MADE_BY)
    assert sum(path.stat().st_size for path in CAPTURES.iterdir()) < 3_000_000


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([SHORT], "Give either --into CAPTURE or --live"),
        ([SHORT, "--live", "--into", "x.log"], "Give either --into CAPTURE or --live"),
        ([SHORT, "--to", "x.log"], "No such option '--to'. Did you mean '--into'?"),
        ([SHORT, "--into", "x.txt"], "x.txt: no capture is written with this ending; name one of .log, "),
        ([SHORT, "--into", "-"], "is not written to standard output: name a file, such as drive.log."),
        (["nothing.yaml", "--into", "x.log"], "nothing.yaml: there is no such file; check the path"),
        ([SHORT, "--seed", "-4", "--into", "x.log"], "The seed -4 is not between"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_line(arguments: list[str], complaint: str, tmp_path: Path) -> None:
    place = [str(ROOT / each) if each == SHORT else each for each in arguments]
    done = canmap("simulate", *place, cwd=tmp_path)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_the_truth_takes_no_other_files_place(tmp_path: Path) -> None:
    scenario = tmp_path / "drive.yaml"
    scenario.write_text(DRIVE, encoding="utf-8")
    done = canmap("simulate", scenario, "--into", tmp_path / "drive.log")
    assert done.returncode == 2
    assert "would replace" in done.stderr
    assert scenario.read_text(encoding="utf-8") == DRIVE


def test_nothing_recorded_leaves_nothing(tmp_path: Path) -> None:
    scenario = tmp_path / "dark.yaml"
    scenario.write_text(DRIVE.replace("operator: switch on", "driver: stop"), encoding="utf-8")
    done = canmap("simulate", scenario, "--into", tmp_path / "x.log")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "check that its script switches the vehicle on." in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["dark.yaml"]


def test_live_sends_on_virtual_buses_what_a_capture_holds(tmp_path: Path) -> None:
    scenario = scenario_of(tmp_path, short_drive(1.5))
    heard: dict[str, list[can.Message]] = {"can0": [], "can1": []}
    ended = threading.Event()

    def listen(name: str, bus: can.BusABC) -> None:
        while not ended.is_set():
            message = bus.recv(0.05)
            if message is not None:
                heard[name].append(message)

    pace = Pace(1.0)
    with (
        can.Bus(interface="virtual", channel="test-can0") as first,
        can.Bus(interface="virtual", channel="test-can1") as second,
    ):
        threads = [threading.Thread(target=listen, args=each) for each in (("can0", first), ("can1", second))]
        for thread in threads:
            thread.start()
        sent = simulate_live(scenario, "test-", pace)
        ended.wait(0.3)
        ended.set()
        for thread in threads:
            thread.join(5)
    assert sum(map(len, heard.values())) == sent > 600
    steering = [message for message in heard["can0"] if message.arbitration_id == 0x101]
    assert len(steering) == pytest.approx(148, abs=2)
    # At true pace: the last came about as long after the first as it was sent. The machine may be busy.
    assert 1.3 < 1.45 + pace.worst_late_s < 3.0
    assert {message.arbitration_id for message in heard["can1"]} >= {0x301, 0x320}


def test_another_vehicle_goes_through_the_same_commands(command: Command, tmp_path: Path) -> None:
    spec, capture = CARRIER / "garden_carrier.yaml", tmp_path / "lane.log"
    scenario = CARRIER / "scenarios" / "short_lane.yaml"
    done = command(
        "simulate", scenario, "--faults", CARRIER / "faults" / "request_lost.yaml", "--into", capture
    )
    assert (done.returncode, done.stderr) == (0, "")
    done = command("inspect", capture, "--spec", spec)
    assert (done.returncode, done.stderr) == (0, "")  # the kit let go in time: a warning
    assert re.search(r"warning stale .* SteerRequest was silent for 6\d\d", done.stdout)
    done = command("topics", spec)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Garden carrier: 16 topics\n")


def test_a_vehicle_with_one_bus_is_live_on_one_channel(command: Command, tmp_path: Path) -> None:
    lines = (CARRIER / "scenarios" / "short_lane.yaml").read_text(encoding="utf-8").splitlines()
    text = "\n".join(line for line in lines if "at: " not in line or "at: 0 s" in line)
    short = text.replace("../garden", str(CARRIER / "garden")).replace("10 s", "0.2 s")
    (tmp_path / "scenario.yaml").write_text(short, encoding="utf-8")
    done = command("simulate", tmp_path / "scenario.yaml", "--live")
    assert done.stdout.startswith("A short lane: on the virtual channel can0; nothing is sent on hardware.\n")


def test_the_command_runs_live(tmp_path: Path) -> None:
    scenario_of(tmp_path, short_drive(0.3))
    done = canmap("simulate", tmp_path / "scenario.yaml", "--live")
    assert (done.returncode, done.stderr) == (0, "")
    assert "nothing is sent on hardware" in done.stdout
    assert re.search(r"^1\d\d frames sent", done.stdout, re.MULTILINE)
