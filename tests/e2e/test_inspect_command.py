"""`canmap inspect` as a user runs it: the demo capture against its truth, screens, JSON, sources."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import os
import re
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
import yaml

from tests.e2e.shell import CART, DEMO, ROOT, canmap, check_golden, demo_lines

if TYPE_CHECKING:
    from pathlib import Path

    from tests.e2e.shell import Command


@pytest.fixture(autouse=True)
def top(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the top of the repository."""
    monkeypatch.chdir(ROOT)


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    """The inspection of the demo capture, as JSON on standard output."""
    done = canmap("inspect", DEMO, "--spec", CART, "--json", "-")
    assert done.returncode == 1
    assert done.stderr == ""
    return json.loads(done.stdout)


def test_the_demo_capture_has_the_faults_of_its_truth_and_no_other(demo: dict[str, Any]) -> None:
    truth = yaml.safe_load((ROOT / "captures" / "steering_drop.yaml").read_text(encoding="utf-8"))
    stopped, railed = truth["faults"]
    dropped, throttle, pair = [finding for finding in demo["findings"] if finding["severity"] != "note"]
    found = [*dropped["parts"], throttle, pair]
    # What the gateway passes on of a message stops with it: one finding with two parts.
    expected = [
        ("stale", "SteerFeedback", stopped),
        ("stale", "ChassisSteering", stopped),
        ("out_of_range", "PedalState", railed),
        ("disagree", "PedalState", railed),
    ]
    assert len(found) == len(expected)
    periods = {message["name"]: (message["period_ms"]["nominal"] or 0) / 1e3 for message in demo["messages"]}
    for finding, (kind, message, fault) in zip(found, expected, strict=True):
        assert (finding["kind"], finding["message"]) == (kind, message)
        # Between the last frame before and the first one after lies up to a period more.
        assert finding["start_s"] == pytest.approx(fault["start_s"], abs=periods[message] * 1.1)
        assert finding["end_s"] == pytest.approx(fault["end_s"], abs=periods[message] * 1.1)
        assert finding["severity"] == "error"
    assert (throttle["signal"], throttle["record"], throttle["field"]) == ("Throttle", "drive", "throttle")
    assert (throttle["value"], throttle["limit"]) == pytest.approx((1.10, 1.00))
    assert {unknown["id"] for unknown in demo["unknown_ids"]} == {f"7A{n}" for n in (0, 1, 2, 3, 4, 5, 7, 8)}
    assert demo["verdict"] == "fail"


def test_the_screen() -> None:
    done = canmap("inspect", DEMO, "--spec", CART)
    assert (done.returncode, done.stderr) == (1, "")
    check_golden("inspect.txt", done.stdout)


VALUES = ("drive.speed", "brake.pressure", "battery.temperature", "steering.wheel_angle", "drive.throttle")
UNITS = ["12.66 km/h", "28.15 bar", "24 °C", "120.3 deg", "110 %"]  # the largest: as in the kit's description
IN_SI = ["3.5167 m/s", "2815000 Pa", "297.15 K", "2.0996 rad", "1.1"]


@pytest.mark.parametrize(("options", "expected"), [((), UNITS), (("--si",), IN_SI)])
@pytest.mark.parametrize("columns", [100, 120, 200])
def test_values_are_shown_in_the_units_of_the_manual_and_in_si_where_asked(
    options: tuple[str, ...], expected: list[str], columns: int, command: Command, monkeypatch: Any
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    done = command("inspect", DEMO, "--spec", CART, *options)
    heading = next(line for line in done.stdout.splitlines() if line.startswith("Records, in "))
    assert ("SI units" in heading) == bool(options)
    assert ("the manual's units" in heading) != bool(options)
    rows = {words[0]: words for line in done.stdout.splitlines() if len(words := line.split()) > 4}
    shown = [f"{rows[name][3]} {rows[name][1]}".removesuffix(" 1") for name in VALUES]
    assert shown == expected
    # What values are shown in, sentences say them in.
    said = "was 1.1, above its limit of 1." if options else "was 110 %, above its limit of 100 %."
    assert said in " ".join(done.stdout.split())


def test_json_is_in_si_however_a_screen_shows_it(
    demo: dict[str, Any], tmp_path: Path, command: Command
) -> None:
    place = tmp_path / "out.json"
    for options in ((), ("--si",)):
        command("inspect", DEMO, "--spec", CART, "--json", place, *options)
        assert json.loads(place.read_text(encoding="utf-8")) == demo
    assert demo["records"]["drive"]["fields"]["speed"]["unit"] == "m/s"


def test_json_to_a_file_is_json_on_standard_output(
    demo: dict[str, Any], tmp_path: Path, command: Command
) -> None:
    place = tmp_path / "out.json"
    done = command("inspect", DEMO, "--spec", CART, "--json", place)
    assert json.loads(place.read_text(encoding="utf-8")) == demo
    assert "FAIL" in done.stdout  # the screen is shown as well
    assert [path.name for path in tmp_path.iterdir()] == ["out.json"]


def test_a_capture_without_a_fault_passes(tmp_path: Path, command: Command) -> None:
    good = tmp_path / "good.log"
    good.write_text("".join(demo_lines()[:1500]), encoding="ascii")  # before the drop
    done = command("inspect", good, "--spec", CART)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1].startswith("PASS: 0 errors, 0 warnings")


@pytest.mark.parametrize("columns", [30, 40, 60, 72, 200])
def test_no_screen_is_too_narrow_and_no_name_is_broken(
    columns: int, demo: dict[str, Any], command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    done = command("inspect", DEMO, "--spec", CART)
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    course = lines.index(next(line for line in lines if line.startswith("Course")))
    # In a pipe a sentence stays one line, so that a search finds it whole; the tables fit.
    rows = [line for line in lines[:course] if line.startswith("  ") and "Left out" not in line]
    assert len(rows) > 10
    assert max(map(len, rows)) <= columns
    for message in demo["messages"]:
        whole = f"  {message['bus']} {message['name']}"
        assert not message["count"] or any(f"{row} ".startswith(f"{whole} ") for row in rows), whole
    for record, summary in demo["records"].items():
        for field in summary["fields"]:
            whole = f"  {record}.{field}"
            assert any(f"{row} ".startswith(f"{whole} ") for row in rows), whole
    text = "\n".join(rows)
    assert "430.04" in text
    assert "28.15" in text


@pytest.mark.parametrize("columns", [30, 100])
@pytest.mark.parametrize("command_line", [["inspect"], ["replay", "--pace", "flat"], ["formats"]])
def test_no_sentence_of_a_pipe_is_wrapped_and_no_line_ends_in_blanks(
    tmp_path: Path, columns: int, command_line: list[str]
) -> None:
    # The first frame alone, and lines that cannot be read: most messages never come, more than are listed.
    capture = tmp_path / "little.log"
    capture.write_text(demo_lines()[0] + "".join(f"{n}\n{demo_lines()[0]}" for n in range(60)))
    given = [] if command_line == ["formats"] else [capture, "--spec", CART]
    narrow = canmap(*command_line, *given, COLUMNS=str(columns)).stdout
    assert [line for line in narrow.splitlines() if line != line.rstrip()] == []
    sentences = {
        line
        for line in canmap(*command_line, *given, COLUMNS="500").stdout.splitlines()
        if line.startswith(("Described, but", "Findings, with", "  and ", "  error ", "FAIL", "Each is read"))
    }
    assert sentences
    assert command_line != ["inspect"] or any(re.search(r" and \d+ more", line) for line in sentences)
    assert sentences <= set(narrow.splitlines())


@pytest.mark.parametrize("columns", ["40", "60", "80", "120", "200"])
@pytest.mark.parametrize("in_a_pipe", [True, False])
def test_the_course_of_a_session_at_any_width(columns: str, in_a_pipe: bool) -> None:
    """The button is pressed at 7.988 s (captures/stop_pressed.yaml); KitState says later what follows."""
    forced = {} if in_a_pipe else {"FORCE_COLOR": "1"}  # taken for a terminal then
    done = canmap("inspect", "captures/stop_pressed.log", "--spec", CART, COLUMNS=columns, **forced)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", done.stdout).splitlines()
    first, last = (next(n for n, line in enumerate(lines) if word in line) for word in ("Course", "Findings"))
    course = lines[first : last - 1]
    whole = ["     8.005  stop_button.pressed: no to yes", "     8.036  control.mode: autonomous to manual"]
    if in_a_pipe or int(columns) >= 60:
        assert set(whole) < set(course)
    if not in_a_pipe:
        assert max(map(len, course)) <= int(columns)
    assert all("".join(line.split()) in "".join("".join(course).split()) for line in whole)


def test_colour_only_where_it_is_wanted() -> None:
    # The golden screen has none.
    assert "\x1b[" in canmap("inspect", DEMO, "--spec", CART, NO_COLOR="", FORCE_COLOR="1").stdout


def same_but_files(said: str, demo: dict[str, Any], files: list[str]) -> bool:
    expected = {**demo, "capture": {**demo["capture"], "files": files}}
    return json.loads(said) == expected


def test_standard_input(demo: dict[str, Any]) -> None:
    given = (ROOT / DEMO).read_bytes()
    done = canmap("inspect", "-", "--spec", CART, "--json", "-", given=given)
    assert same_but_files(done.stdout, demo, ["-"])


@pytest.mark.parametrize(("ending", "pack"), [("gz", gzip), ("bz2", bz2), ("xz", lzma)])
def test_compressed(demo: dict[str, Any], tmp_path: Path, ending: str, pack: Any, command: Command) -> None:
    packed = tmp_path / f"drop.log.{ending}"
    packed.write_bytes(pack.compress((ROOT / DEMO).read_bytes()))
    done = command("inspect", packed, "--spec", CART, "--json", "-")
    assert same_but_files(done.stdout, demo, [str(packed)])


def test_several_captures_are_one_session(demo: dict[str, Any], tmp_path: Path, command: Command) -> None:
    first, second = tmp_path / "first.log", tmp_path / "second.log"
    first.write_text("".join(demo_lines()[:2000]), encoding="ascii")
    second.write_text("".join(demo_lines()[2000:]), encoding="ascii")
    done = command("inspect", first, second, "--spec", CART, "--json", "-")
    said = json.loads(done.stdout)
    assert said["capture"]["frames"] == demo["capture"]["frames"]
    assert said["capture"]["files"] == [str(first), str(second)]
    errors = [f["kind"] for f in said["findings"] if f["severity"] == "error"]
    assert errors == ["stale", "out_of_range", "disagree"]


def test_another_channel(demo: dict[str, Any], tmp_path: Path, command: Command) -> None:
    renamed = tmp_path / "vcan.log"
    renamed.write_text("".join(demo_lines()).replace(" can0 ", " vcan3 "), encoding="ascii")
    done = command("inspect", renamed, "--spec", CART, "--channel", "drive=vcan3", "--json", "-")
    said = json.loads(done.stdout)
    assert said["capture"]["channels"] == {"vcan3": 5668, "can1": 411}
    assert said["findings"] == demo["findings"]
    done = command("inspect", renamed, "--spec", CART)
    assert done.returncode == 1
    # One cause, one finding: the channel, and all that was to come on it.
    (error,) = [line for line in done.stdout.splitlines() if line.startswith("  error missing")]
    assert error.endswith(
        "  Bus drive listens to channel can0, which the capture does not have; channel vcan3 carries 12 of "
        "the 12 messages of drive: give --channel drive=vcan3."
    )
    assert "No bus of the spec listens" not in done.stdout


def test_a_channel_without_anything_of_a_bus(tmp_path: Path, command: Command) -> None:
    body = tmp_path / "body.log"
    body.write_text("".join(line for line in demo_lines() if " can1 " in line), encoding="ascii")
    done = command("inspect", body, "--spec", CART)
    (error,) = [line for line in done.stdout.splitlines() if line.startswith("  error missing")]
    assert (
        "Bus drive listens to channel can0, which the capture does not have; it has can1. Name the right "
        "one with --channel drive=CHANNEL. So 12 messages never came: SteerFeedback, "
    ) in error


SWAPPED = (
    "Channels can0 and can1 look swapped: channel can1 carries 12 of the 12 messages of bus drive, "
    "channel can0 2 of the 2 of bus chassis: give --channel drive=can1 --channel chassis=can0."
)


def swapped(folder: Path) -> Path:
    """The demo capture, its channels with each other's names."""
    names = {"can0": "can1", "can1": "can0"}
    capture = folder / "swapped.log"
    text = re.sub(r"(?<= )can[01](?= )", lambda name: names[name[0]], "".join(demo_lines()))
    capture.write_text(text, encoding="ascii")
    return capture


@pytest.mark.parametrize("through_a_pipe", [False, True])
def test_swapped_channels_are_one_finding_with_the_options_that_help(
    demo: dict[str, Any], tmp_path: Path, through_a_pipe: bool
) -> None:
    capture = swapped(tmp_path)
    given = capture.read_bytes() if through_a_pipe else None
    inspect = ("inspect", "-" if through_a_pipe else capture, "--spec", CART, "--json", "-")
    done = canmap(*inspect, given=given)
    said = json.loads(done.stdout)
    (found,) = [finding for finding in said["findings"] if finding["severity"] != "note"]
    assert (done.returncode, found["kind"], found["text"]) == (1, "missing", SWAPPED)
    assert (found["bus"], found["start_s"], found["open"]) == (None, 0, True)
    promised = {m["name"] for m in said["messages"] if m["name"] != "KitEvent"}  # which need not come
    parts = found["parts"]
    assert {part["message"] for part in parts if part["kind"] == "missing"} == promised
    known = {m["id"] for m in demo["messages"] if m["count"]}
    notes = [part["text"] for part in parts if part["kind"] == "unknown_id"]
    assert {re.search(r"does not know (\w+)", text)[1] for text in notes} == known
    # What nobody describes stays unknown.
    assert {row["id"] for row in said["unknown_ids"]} == {row["id"] for row in demo["unknown_ids"]}
    done = canmap(*inspect, *SWAPPED.removesuffix(".").split(": give ")[1].split(), given=given)
    findings = [(f["kind"], f["message"], f["start_s"]) for f in json.loads(done.stdout)["findings"]]
    assert findings == [(f["kind"], f["message"], f["start_s"]) for f in demo["findings"]]


def test_a_replay_of_swapped_channels_says_so_at_the_end(tmp_path: Path, command: Command) -> None:
    done = command("replay", swapped(tmp_path), "--spec", CART, "--pace", "flat")
    assert done.stdout.count(SWAPPED) == 1
    assert "which the capture does not have" not in done.stdout


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_degrees_celsius_in_any_encoding(tmp_path: Path, encoding: str, command: Command) -> None:
    description = (ROOT / "specs" / "orchard_cart" / "kit.dbc").read_text(encoding="utf-8")
    assert "°C" in description
    kit = tmp_path / "kit.dbc"
    kit.write_text(description, encoding=encoding)
    done = command("inspect", DEMO, "--spec", CART, "--description", f"drive={kit}", "--json", "-")
    temperature = json.loads(done.stdout)["records"]["battery"]["fields"]["temperature"]
    assert (temperature["unit"], temperature["last"]) == ("K", 297.15)  # 24 °C


def test_a_span(demo: dict[str, Any], command: Command) -> None:
    done = command("inspect", DEMO, "--spec", CART, "--from", "6", "--to", "7.5", "--json", "-")
    said = json.loads(done.stdout)
    assert done.returncode == 0  # both faults lie outside
    assert said["capture"]["duration_s"] == pytest.approx(1.5, abs=0.02)
    assert said["capture"]["frames"] < demo["capture"]["frames"] / 4


def test_version() -> None:
    done = canmap("--version")
    assert (done.returncode, done.stdout) == (0, "canmap 0.1.0\n")


@pytest.mark.parametrize("name", ["inspect", "replay"])
def test_help_has_examples_and_the_exit_status(name: str, command: Command) -> None:
    done = command(name, "--help")
    assert done.returncode == 0
    assert f"canmap {name} drive.log --spec cart.yaml" in done.stdout
    assert "Exit status" in done.stdout


def test_help_lists_the_commands_and_comes_at_once() -> None:
    taken_s = []
    for _ in range(3):
        began_s = time.monotonic()
        done = canmap("--help")
        taken_s.append(time.monotonic() - began_s)
    assert done.returncode == 0
    for word in ("inspect", "replay", "not a safety function"):
        assert word in done.stdout
    assert min(taken_s) < 1.5  # aimed at 0.3 s; a busy machine takes longer


def test_help_needs_none_of_the_heavy_libraries() -> None:
    done = canmap("--help", PYTHONPROFILEIMPORTTIME="1")
    assert re.search(r"\|\s+click$", done.stderr, re.MULTILINE)
    for library in ("numpy", "cantools", "polars", "can"):
        assert re.search(rf"\|\s+{library}$", done.stderr, re.MULTILINE) is None, library


def test_without_arguments_the_help_is_shown(command: Command) -> None:
    done = command()
    assert "inspect" in done.stderr
    assert done.stdout == ""
    assert done.returncode == 2


def test_names_that_the_output_cannot_encode(tmp_path: Path) -> None:
    capture = tmp_path / "ümlaut.log"
    capture.write_bytes((ROOT / DEMO).read_bytes())
    command = [sys.executable, "-m", "canmap", "inspect", str(capture), "--spec", str(CART)]
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, capture_output=True, check=False, timeout=60, cwd=ROOT, env=environment)
    assert (done.returncode, done.stderr) == (1, b"")
    assert b"\\xfcmlaut.log" in done.stdout
