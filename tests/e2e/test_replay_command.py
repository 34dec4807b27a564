"""`canmap replay` as a user runs it: lines in order, pace kept, the same outcome as an inspection."""

from __future__ import annotations

import json
import re
import subprocess
import time
from importlib.util import find_spec
from statistics import median
from typing import TYPE_CHECKING

import pytest

from tests.e2e.shell import CART, COMMAND, DEMO, ROOT, canmap, check_golden, environment

if TYPE_CHECKING:
    from pathlib import Path

    from tests.e2e.shell import Command

SPAN = ("--from", "4.8", "--to", "5.6")
LINE = re.compile(r"^ *(\d+\.\d{3}) s  (\S+)")


@pytest.fixture(autouse=True)
def top(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the top of the repository."""
    monkeypatch.chdir(ROOT)


def times_of(text: str) -> list[float]:
    return [float(match[1]) for line in text.splitlines() if (match := LINE.match(line))]


def test_the_screen() -> None:
    done = canmap("replay", DEMO, "--spec", CART, "--pace", "flat", *SPAN, "--every", "0.2")
    assert (done.returncode, done.stderr) == (1, "")
    check_golden("replay.txt", done.stdout)


@pytest.mark.parametrize(
    ("options", "values"),
    [
        ((), ["speed 12.56 km/h", "heading 0 deg", "temperature 24 °C", "charge 82 %", "torque -0.02 Nm"]),
        (("--si",), ["speed 3.4889 m/s", "heading 0 rad", "temperature 297.15 K", "charge 0.82 "]),
    ],
)
def test_values_are_in_the_units_of_the_manual_and_in_si_where_asked(
    options: tuple[str, ...], values: list[str], command: Command
) -> None:
    done = command("replay", DEMO, "--spec", CART, "--pace", "flat", *SPAN, *options)
    assert [value for value in values if value not in done.stdout] == []


@pytest.mark.parametrize("pace", ["flat", "10", "1"])
def test_lines_come_in_order_and_say_what_an_inspection_says(pace: str, command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, "--pace", pace, *SPAN, "--every", "0.05")
    times = times_of(done.stdout)
    assert len(times) > 50
    assert times == sorted(times)
    (over,) = [line for line in done.stdout.splitlines() if " over " in line and "SteerFeedback" in line]
    assert "stale" in over
    assert "SteerFeedback was silent for 430.04 ms" in over
    (begins,) = [line for line in done.stdout.splitlines() if " begins " in line and "SteerFeedback" in line]
    assert done.stdout.index(begins) < done.stdout.index(over)
    assert done.returncode == 1
    assert "SteerFeedback fell silent; it is stale after 60 ms." in begins  # it cannot know the rest
    if pace != "flat":
        late = re.search(r"No frame came more than (\d+) ms late\.", done.stdout)
        assert late is not None
        assert int(late[1]) < 500  # a few ms where nothing else runs


def test_the_json_is_that_of_an_inspection(command: Command) -> None:
    replayed = command("replay", DEMO, "--spec", CART, "--pace", "8", *SPAN, "--json", "-")
    inspected = command("inspect", DEMO, "--spec", CART, *SPAN, "--json", "-")
    assert json.loads(replayed.stdout) == json.loads(inspected.stdout)
    assert replayed.returncode == inspected.returncode == 1


def test_a_span_without_an_error_passes(command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, "--pace", "flat", "--from", "6", "--to", "7")
    assert done.returncode == 0
    assert done.stdout.splitlines()[-1].startswith("PASS: 0 errors")


def test_lines_come_at_their_time() -> None:
    """At twice the pace, a line at t s comes t / 2 s after the first; a drift would grow."""
    command = [*COMMAND, "replay", DEMO, "--spec", CART, "--pace", "2", "--from", "6", "--to", "8"]
    with subprocess.Popen(
        [*command, "--record", "drive", "--every", "0.1"],
        cwd=ROOT, env=environment(), stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        came = [(time.monotonic(), line) for line in process.stdout]
    shown = [(at, times_of(line)[0]) for at, line in came if LINE.match(line)]
    assert len(shown) >= 18
    first_at, first_t = shown[0]
    late = [at - first_at - (t - first_t) / 2 for at, t in shown]
    # Medians, because a busy machine may hold one line up; a drift moves them all.
    assert abs(median(late[-6:]) - median(late[:6])) < 0.1
    assert shown[-1][1] - first_t > 1.8


def test_one_record_every_so_often(command: Command) -> None:
    done = command(
        "replay", DEMO, "--spec", CART, "--pace", "flat", "--record", "steering", "--record", "battery",
        "--every", "2",
    )  # fmt: skip
    names = [match[2] for line in done.stdout.splitlines() if (match := LINE.match(line))]
    assert set(names) == {"steering", "battery", "change", "begins", "over"}
    assert names.count("steering") == 6  # at 0, 2, 4, 6, 8 and 10 s
    assert names.count("battery") == 6
    assert re.search(r"steering  wheel_angle \S+ deg  wheel_rate \S+ deg/s", done.stdout)


def told(text: str) -> list[tuple[float, str, str]]:
    """Time, word and the rest of every line of a finding."""
    pattern = re.compile(r"^ *(\d+\.\d{3}) s  (begins|over|open|found) +(.*)$", re.MULTILINE)
    return [(float(time), word, rest) for time, word, rest in pattern.findall(text)]


def test_no_record_leaves_the_changes_and_the_findings(command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, "--pace", "flat", "--record", "none")
    words = [word for _, word, _ in told(done.stdout)]
    assert len(words) + done.stdout.count(" s  change ") == done.stdout.count(" s  ")
    assert words == ["begins", "begins", "over", "over", *["begins"] * 2, *["over"] * 2]  # four errors
    # And at the end, without a time, what is said of the whole session.
    kinds = ["note spec", "6 notes unknown_id", "2 notes unknown_id"]
    assert re.findall(r"^  (\d* ?notes? \w+)  ", done.stdout, re.MULTILINE) == kinds


@pytest.mark.parametrize("capture", [DEMO, "captures/stop_pressed.log", "captures/day_one.log"])
def test_a_finding_is_told_when_it_is_known_whatever_else_is_printed(capture: str, command: Command) -> None:
    flat = command("replay", capture, "--spec", CART, "--pace", "flat", "--record", "none").stdout
    for shown in (("--every", "0.05"), ("--every", "3", "--record", "steering"), ("--record", "none")):
        paced = command("replay", capture, "--spec", CART, "--pace", "40", *shown).stdout
        # Flat out, more is known of a finding when its begin is printed.
        for one, other in zip(told(paced), told(flat), strict=True):
            assert one[:2] == other[:2]
            assert one[2] == other[2] or one[1] == "begins"
        assert times_of(paced) == sorted(times_of(paced))
    begun = [rest.partition("  ")[2].split()[0] for _, word, rest in told(flat) if word == "begins"]
    ended = [rest.partition("  ")[2].split()[0] for _, word, rest in told(flat) if word in ("over", "open")]
    assert sorted(begun) == sorted(ended)
    assert begun
    found = [time for time, word, _ in told(flat) if word == "found"]
    assert found == [times_of(flat)[-1]] * len(found)


def test_every_record(command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, "--pace", "flat", "--record", "battery", "--every", "0")
    names = [match[2] for line in done.stdout.splitlines() if (match := LINE.match(line))]
    assert names.count("battery") == 60


@pytest.mark.parametrize("name", ["drive.jsonl", "drive.mcap", "tables/", "steering.csv"])
def test_it_also_writes_what_an_export_writes(name: str, tmp_path: Path, command: Command) -> None:
    record = ("--record", "steering") if name == "steering.csv" else ()
    run = (DEMO, "--spec", CART, *SPAN, *record)
    replayed, exported = (f"{tmp_path}/{folder}/{name}" for folder in ("replayed", "exported"))
    for folder in ("replayed", "exported"):
        (tmp_path / folder).mkdir()
    done = command("replay", *run, "--pace", "8", "--every", "0.2", "--into", replayed)
    assert (done.returncode, done.stderr) == (1, "")
    assert "FAIL: 1 error" in done.stdout
    assert command("export", *run, "--into", exported).returncode == 0
    files = {path.relative_to(tmp_path / "exported") for path in (tmp_path / "exported").rglob("*.*")}
    assert files
    for file in files:
        assert (tmp_path / "replayed" / file).read_bytes() == (tmp_path / "exported" / file).read_bytes()


def test_no_record_on_the_screen_leaves_all_in_the_file(tmp_path: Path, command: Command) -> None:
    into = tmp_path / "all.jsonl"
    command("replay", DEMO, "--spec", CART, "--pace", "flat", *SPAN, "--record", "none", "--into", into)
    assert {"steering", "drive", "battery"} <= {
        json.loads(line).get("record") for line in into.read_text(encoding="utf-8").splitlines()
    }


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (
            ("--into", "-"),
            "--into - would mix with the lines of the replay; name a file, or use canmap export.",
        ),
        (("--into", DEMO), "nothing is exported with this ending"),
        (("--record", "nothing"), f"{CART} makes no record nothing; it makes steering, drive, "),
        (("--namespace", "cart"), "--namespace is for --topics; give that too, or leave it out."),
        (("--namespace", "cart", "--into", "x.jsonl"), "--namespace is for --topics; give that too, or "),
        (("--stamps", "now"), "--stamps is for --topics; give that too, or leave it out."),
        (("--clock",), "--clock is for --topics; give that too, or leave it out."),
        (("--wait-for-readers", "1"), "--wait-for-readers is for --topics; give that too, or leave it out."),
        (("--ros-args", "-r", "a:=b"), "--ros-args is for --topics; give that too, or leave it out."),
        (("--topics", "--wait-for-readers", "-1"), "--wait-for-readers -1 is not from 0 to 3600 seconds."),
        (("--topics", "--stamps", "now", "--pace", "flat"), "--stamps now needs a pace: flat out, nothing "),
    ],
)
def test_what_cannot_be_done_is_said(options: tuple[str, ...], said: str, command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, *SPAN, *options)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert done.stderr.startswith("canmap: ")
    assert said in done.stderr


@pytest.mark.skipif(find_spec("rclpy") is not None, reason="there is a ROS 2")
def test_topics_without_a_ros_2(command: Command) -> None:
    done = command("replay", DEMO, "--spec", CART, *SPAN, "--topics", "--", "--ros-args", "-r", "a:=b", "--")
    assert (done.returncode, done.stdout, done.stderr) == (
        2,
        "",
        "canmap: Topics need ROS 2, whose rclpy is not here; source a ROS 2 with this version of Python, or "
        "install the extra 'ros': pip install 'canmap[ros]'.\n",
    )
