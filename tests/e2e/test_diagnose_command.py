"""`canmap diagnose` through the real command line, on the captures of the README."""

from __future__ import annotations

import json
import os
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from canmap.api.diagnose import diagnose
from canmap.base.errors import OutputError, UsageError
from canmap.cli.app import app
from canmap.diagnosis.telling.evidence_words import SENTENCES

ROOT = Path(__file__).parents[2]
CART = ROOT / "specs" / "orchard_cart"
CARRIER = ROOT / "specs" / "garden_carrier"
SPEC = str(CART / "cart.yaml")
DROP = str(ROOT / "captures" / "steering_drop.log")
PRESSED = str(ROOT / "captures" / "stop_pressed.log")
WITHDREW = str(ROOT / "captures" / "computer_withdrew.log")
CLEAN = str(ROOT / "captures" / "clean_drive.log")


def run(*words: str, **environment: str) -> tuple[int, str]:
    ended = CliRunner(env=environment).invoke(
        app, ["diagnose", *words], catch_exceptions=False, standalone_mode=False
    )
    return ended.return_value, ended.output


def section(text: str, heading: str) -> str:
    """The lines below a heading, until the next one that is as far to the left."""
    _, _, rest = text.partition(f"\n  {heading}")
    return re.split(r"\n  (?=\S)|\n\n", rest, maxsplit=1)[0]


def test_a_dropped_message_and_a_sensor_are_two_episodes() -> None:
    status, text = run(DROP, "--spec", SPEC)
    assert status == 1
    assert "2 episodes" in text
    assert "A node stopped sending one message" in section(text, "Root cause")
    assert "disagreed by up to 110 %; 5 % is allowed" in " ".join(text.split())
    assert "As it should be throughout" in text
    for once in (
        "Not available here",
        "Before any check at the vehicle",
        "The maker's manual",
        "Error frames:",
    ):
        assert text.count(once) == 1  # and not once for each episode


def test_a_pressed_button_is_named_with_checks_and_cautions() -> None:
    status, text = run(PRESSED, "--spec", SPEC)
    assert status == 1
    assert "A stop button was pressed (stop_button.pressed)" in section(text, "Root cause")
    told = " ".join(text.split("Before any check at the vehicle")[1].split())
    for caution in ("driven wheels off the ground", "within reach of the kit's e-stop", "local rules"):
        assert caution in told
    letter = re.search(r"(\w) Never bridge the stop loop", told)
    assert letter
    assert f"and {letter[1]}." in section(text, "What to check at the vehicle")


def test_what_happened_is_told_by_time() -> None:
    """What is seen later comes later; a press may be seen after what it led to, but never stands below it."""
    for capture in (DROP, PRESSED, WITHDREW):
        told = section(run(capture, "--spec", SPEC)[1], "What happened")
        times = re.findall(r"^    (\d+\.\d+)(?: to (\d+\.\d+))?  +(\S+)", told, re.MULTILINE)
        assert times
        ends = [float(end or begin) for begin, end, _ in times]
        assert ends == sorted(ends) or times[0][2] == "stop_button:"
        assert all(not end or float(begin) < float(end) for begin, end, _ in times)


def test_a_computer_that_withdrew_followed_from_the_silence() -> None:
    """Truth: captures/computer_withdrew.yaml: the feedback, 150 ms later the demands, then the axes."""
    text = run(WITHDREW, "--spec", SPEC)[1]
    assert "DriveFeedback" in section(text, "Root cause")
    assert "The computer took its demands back" in section(text, "What followed from it")
    told = section(text, "What happened")
    order = [told.index(words) for words in ("DriveFeedback fell silent", "took its demands back", "Let go")]
    assert order == sorted(order)
    truth = {"DriveFeedback fell": 5.017555, "The computer took": 5.167555, "Let go": 5.171477}
    for words, at_s in truth.items():
        line = next(line for line in told.splitlines() if words in line)
        low, high = map(float, re.findall(r"(\d+\.\d+)", line)[:2])
        assert low <= at_s <= high, words
    assert re.search(r"DriveCommand +=+t+$", text, re.MULTILINE)


@pytest.mark.parametrize("columns", ["60", "44", "30", ""])
def test_no_line_is_wider_than_the_screen_or_a_page(columns: str) -> None:
    for capture in (DROP, PRESSED):
        lines = run(capture, "--spec", SPEC, COLUMNS=columns)[1].splitlines()
        named = {line for line in lines if capture in line}  # a path cannot be broken
        assert max(len(line) for line in lines if line not in named) <= int(columns or 80)


def test_each_lane_of_the_course_has_its_whole_name_beside_or_above_it() -> None:
    lanes = ("axis steering", "stop_loop.supply_cut", "SteerDiagnostics")
    wide, narrow = (run(PRESSED, "--spec", SPEC, COLUMNS=columns)[1] for columns in ("80", "30"))
    for name in lanes:
        assert re.search(rf"^  {name} +=+[.x]+$", wide, re.MULTILINE)
        assert re.search(rf"^  {name}\n    =+[.x]+$", narrow, re.MULTILINE)
    assert "| where it begins" in wide


def test_one_episode_is_told_once() -> None:
    text = run(PRESSED, "--spec", SPEC)[1]
    assert text.count("A stop button was pressed") == text.count("essages fell silent") == 1


def test_the_page_says_who_sends_what_it_names() -> None:
    text = " ".join(run(DROP, "--spec", SPEC)[1].split())
    assert "SteerFeedback from SteerNode on bus drive, every 10 ms: steering" in text


def test_what_several_messages_did_is_one_sentence(tmp_path: Path) -> None:
    """Nothing is recorded, then all comes at once: that the demands did not come is not said again."""
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "stall.log")
    faults.write_text("faults: [{kind: host_stall, at: 5.2 s, for: 700 ms}]\n", encoding="utf-8")
    simulate("short_drive", faults, capture)
    told = " ".join(section(run(capture, "--spec", SPEC)[1], "What happened").split())
    assert "Later the frames of DriveCommand, BrakeCommand and SteerCommand came closer" in told
    assert "Nothing at all was recorded for 70" in told
    assert "No demand" not in told


def test_a_demand_that_fell_silent_is_told_once_with_all_that_it_counts(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "absent.log")
    fault = "{kind: demand_absent, message: SteerCommand, at: 5.2 s, for: 400 ms}"
    another = "{kind: railed_pedal, level: 110 %, at: 11 s, for: 300 ms}"
    faults.write_text(f"faults: [{fault}, {another}]\n", encoding="utf-8")
    simulate("short_drive", faults, capture)
    text = run(capture, "--spec", SPEC)[1]
    assert "A tie of two causes: demand stopped or demand late." in " ".join(text.split())
    told = section(text, "What happened")
    assert re.search(r"SteerCommand fell silent for 4\d\d ms", " ".join(told.split()))
    assert "did not come" not in told
    found = run(capture, "--spec", SPEC, "--json", "-")[1]
    causes = json.loads(found)["episodes"][0]["causes"]
    for mark, cause in zip("AB", causes, strict=False):
        counts = sum(one["points"] for one in cause["for"] if one["atom"] in {"reach", "demand"})
        assert f"{mark} +{counts:g}" in " ".join(told.split())


def test_swapped_channels_are_told_with_their_remedy_and_without_a_course(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "swapped.log")
    faults.write_text("faults: [{kind: channels_swapped}]\n", encoding="utf-8")
    simulate("short_drive", faults, capture)
    text = run(capture, "--spec", SPEC, "--pack", str(tmp_path / "pack"))[1]
    assert "give --channel drive=can1 --channel chassis=can0." in " ".join(text.split())
    assert "Course" not in text
    assert "not in the capture" not in text  # they are on the other channel
    assert "--channel drive=can1" in (tmp_path / "pack" / "episode_1.txt").read_text(encoding="utf-8")


def test_figures_have_units_those_of_the_manual_or_si(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "held.log")
    faults.write_text(
        "faults: [{kind: driver_override, torque: 6 Nm, at: 5 s, for: 600 ms}]\n", encoding="utf-8"
    )
    simulate("short_drive", faults, capture)
    by_manual, by_si = (" ".join(run(capture, "--spec", SPEC, *more)[1].split()) for more in ((), ("--si",)))
    assert re.search(r"SteerFeedback.Torque \(steering wheel\) .* up to -?\d+\.\d+ Nm", by_manual)
    assert re.search(r"up to -?\d+\.\d+ N m", by_si)


@pytest.mark.parametrize("command", ["diagnose", "inspect", "replay --pace flat"])
def test_findings_are_in_the_units_of_the_manual_or_in_si(command: str) -> None:
    """Truth: captures/steering_drop.yaml, a pedal at 110 %; its two sensors may be 5 % apart."""
    words = [*command.split(), DROP, "--spec", SPEC]
    by_manual, by_si = (
        " ".join(CliRunner().invoke(app, [*words, *more]).output.split()) for more in ((), ("--si",))
    )
    assert "disagreed by up to 110 %; 5 % is allowed" in by_manual
    assert "was 110 %, above its limit of 100 %." in by_manual
    assert "disagreed by up to 1.1; 0.05 is allowed" in by_si
    assert "was 1.1, above its limit of 1." in by_si


def test_the_carrier_gets_no_words_of_the_cart(tmp_path: Path) -> None:
    """Nothing on its bus tells of its e-stop, and its kit has no loop, link or pedal to speak of."""
    capture = str(tmp_path / "stop.log")
    simulate("short_lane", CARRIER / "faults" / "stop_pressed.yaml", capture, CARRIER)
    text = run(capture, "--spec", str(CARRIER / "garden_carrier.yaml"))[1]
    told = " ".join(section(text, "What happened").split())
    assert "All nodes of one supply (SteerUnit and MoveUnit) fell silent" in told
    told += section(text, "Root cause")
    assert re.findall(r"stop loop|radio|column|pedal|relay", told) == []
    assert "Stop chain: no record of the spec tells of it." in text


def simulate(scenario: str, faults: Path, capture: str, folder: Path = CART) -> None:
    path = str(folder / "scenarios" / f"{scenario}.yaml")
    told = CliRunner().invoke(app, ["simulate", path, "--faults", str(faults), "--into", capture])
    assert told.exit_code == 0, told.output


def test_a_clean_drive_has_no_episode(tmp_path: Path) -> None:
    status, text = run(CLEAN, "--spec", SPEC, "--pack", str(tmp_path / "pack"))
    assert status == 0
    assert "No episode" in text
    assert "Nothing was packed" in text
    assert not (tmp_path / "pack").exists()


def test_errors_that_begin_no_episode_are_told(tmp_path: Path) -> None:
    capture = tmp_path / "garbled.log"
    lines = Path(CLEAN).read_text(encoding="ascii").splitlines()[:3000]
    capture.write_text("\n".join([*lines, "%&/ not a frame"]) + "\n", encoding="ascii")
    _, text = run(str(capture), "--spec", SPEC)
    assert "no message fell silent" not in text
    assert "Line 3001" in text
    assert "canmap inspect shows all findings" in text


def test_what_a_check_found_is_told_with_its_limit(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", tmp_path / "jam.log"
    faults.write_text("faults: [{kind: jammed_linkage, at: 4 s, for: 2 s}]\n", encoding="utf-8")
    simulate("short_drive", faults, str(capture))
    _, text = run(str(capture), "--spec", SPEC)
    assert "steering.wheel_angle was up to" in section(text, "What happened")


def test_where_no_cause_fits_the_findings_are_told(tmp_path: Path) -> None:
    """The spec has the counter go round too soon: 14 comes once a round."""
    spec = tmp_path / "round.yaml"
    spec.write_text(f"include: [{SPEC}]\nmessages: {{DriveFeedback: {{counter: {{wrap: 13}}}}}}\n")
    text = section(run(CLEAN, "--spec", str(spec))[1], "What happened")
    text = " ".join(text.split())
    assert "The counter of DriveFeedback was up to 14 in" in text
    assert "it goes from 0 to 13: check its `wrap`." in text


def test_no_sentence_needs_the_one_before_it() -> None:
    """The page puts sentences in another order each time, so that an "it" would stand for anything."""
    assert [text for text in SENTENCES.values() if text.startswith(("It ", "Later its "))] == []


def test_a_choice_that_fits_no_episode_says_how_many_there_are() -> None:
    _, text = run(DROP, "--spec", SPEC, "--message", "BatteryState")
    told = " ".join(text.split())
    assert "No episode fits what was asked for; the capture has 2 episodes in all. Leave out --at" in told
    assert "1 of 2 episodes" in run(DROP, "--spec", SPEC, "--at", "8")[1]
    assert json.loads(run(DROP, "--spec", SPEC, "--at", "8", "--json", "-")[1])["found"] == 2
    assert (
        "steering_drop.log, 6.001 to 11.985 s" in run(DROP, "--spec", SPEC, "--from", "6", COLUMNS="200")[1]
    )


def test_the_json_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "diagnosis.json"
    assert run(DROP, "--spec", SPEC, "--json", str(path))[0] == 1
    told = json.loads(path.read_text(encoding="utf-8"))
    assert told["schema"] == "canmap/diagnosis/1"
    assert [episode["root"] for episode in told["episodes"]] == ["task_stopped", "sensors_apart"]
    assert "sensors_apart" in {cause["key"] for cause in told["episodes"][1]["causes"]}
    assert told["episodes"][1]["breaks_tie"] is None
    first = told["episodes"][0]
    assert first["start_s"] == pytest.approx(5.03, abs=0.03)  # what the fault file says, within two frames
    assert {"for", "against", "next", "statement", "points", "basis"} <= first["causes"][0].keys()
    units = {one["unit"] for one in first["evidence"] if one["amount"] is not None}
    assert {"", "s", "V", "%", "rad/s"} >= units > {"s"}
    assert first["chain"][0]["between_s"] == pytest.approx(first["began_between_s"])
    began = first["began_between_s"]  # its gateway copy comes later, and tells nothing of when it began
    assert began[0] < 5.017555 < began[1]  # of the ground truth beside the capture
    line = next(one["line"] for one in first["evidence"] if one["atom"] == "reach")
    assert Path(DROP).read_text(encoding="utf-8").splitlines()[line - 1].split()[2].startswith("101#")
    assert run(DROP, "--spec", SPEC, "--json", str(path))[0] == 1  # its own file may be replaced


def test_episodes_can_be_narrowed() -> None:
    assert len(diagnose(DROP, SPEC).episodes) == 2
    assert [one.span.number for one in diagnose(DROP, SPEC, at_s=8.1).episodes] == [2]
    assert [one.span.number for one in diagnose(DROP, SPEC, message="drive.SteerFeedback").episodes] == [1]
    # An axis that fell silent may have let go: nobody can tell.
    assert [one.span.number for one in diagnose(DROP, SPEC, axis="steering").episodes] == [1]
    assert diagnose(DROP, SPEC, axis="drive").episodes == ()
    assert len(diagnose(PRESSED, SPEC, axis="drive").episodes) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-", "--spec", SPEC], "reads its captures twice"),
        ([DROP, "--spec", SPEC, "--message", "Nobody"], "describes no message Nobody"),
        ([DROP, "--spec", SPEC, "--message", "SteerFeedbak"], "did you mean `SteerFeedback`"),
        ([DROP, "--spec", SPEC, "--axis", "wheels"], "no axis wheels; it is one of steering, drive or brake"),
        ([DROP, "--spec", SPEC, "--at", "nan"], "nan is not a time"),
        ([DROP, "--spec", SPEC, "--at", "500"], r"--at 500 is not in .* 0.000 to 11.985 s"),
        (
            [PRESSED, "--spec", SPEC, "--at", "1"],
            r"No episode is within 5 s of --at 1; the only one begins at 7.993 s",
        ),
    ],
)
def test_what_cannot_be_done_is_said(words: list[str], said: str) -> None:
    from canmap.base.errors import CanmapError

    with pytest.raises(CanmapError, match=said):
        run(*words)


def test_a_pipe_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.log"
    os.mkfifo(pipe)
    with pytest.raises(UsageError, match=r"reads its captures twice: give files, not a pipe \(.*pipe\.log\)"):
        run(str(pipe), "--spec", SPEC)


def test_a_pack_makes_its_pages_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "pack"
    status, text = run(DROP, "--spec", SPEC, "--pack", str(folder))
    assert status == 1
    assert f"2 episodes packed into {folder}" in text
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    index = (folder / "index.txt").read_text(encoding="utf-8")
    assert names - {"index.txt"} == set(re.findall(r"^  (\S+\.\w+) ", index, re.MULTILINE))
    assert {"episode_1.log", "episode_1.txt", "episode_2.json"} < names
    assert {Path(name).name for name in names} >= {"cart.yaml", "small_vehicle_limits.yaml", "kit.dbc"}
    # Where it is, and where it was made, nobody is told.
    texts = [(folder / name).read_text(encoding="utf-8") for name in names]
    assert [text for text in texts if str(ROOT) in text or str(tmp_path) in text] == []
    moved = folder.rename(tmp_path / "at_the_makers")
    monkeypatch.chdir(moved)
    commands = re.findall(r"^    canmap diagnose (.*)$", index, re.MULTILINE)
    for number, command in enumerate(commands, 1):
        page = (moved / f"episode_{number}.txt").read_text(encoding="utf-8")
        assert run(*shlex.split(command))[1] == page
    assert "A node stopped sending one message" in (moved / "episode_1.txt").read_text()


def test_a_pack_cuts_around_the_episode_and_replaces_nothing(tmp_path: Path) -> None:
    folder = str(tmp_path / "pack")
    channels = ("--channel", "chassis=can1", "--description", f"drive={CART / 'kit.dbc'}")
    run(DROP, "--spec", SPEC, "--at", "5", "--pack", folder, *channels)
    index = (tmp_path / "pack" / "index.txt").read_text(encoding="utf-8")
    assert "--channel chassis=can1 --description drive=spec/specs/orchard_cart/kit.dbc" in index
    stamps = [
        float(line.split()[0][1:-1])
        for line in (tmp_path / "pack" / "episode_1.log").read_text(encoding="ascii").splitlines()
    ]
    told = json.loads((tmp_path / "pack" / "episode_1.json").read_text(encoding="utf-8"))
    (episode,) = told["episodes"]
    assert (told["spec"], told["capture"]["files"]) == (
        "spec/specs/orchard_cart/cart.yaml",
        ["episode_1.log"],
    )
    assert episode["start_s"] == pytest.approx(5.0, abs=0.02)
    assert stamps[-1] - stamps[0] == pytest.approx(5 + episode["end_s"] - episode["start_s"] + 5, abs=0.05)
    with pytest.raises(OutputError, match="exists"):
        run(DROP, "--spec", SPEC, "--at", "5", "--pack", folder)


def test_a_pack_refuses_a_spec_that_names_a_file_by_an_absolute_path(tmp_path: Path) -> None:
    limits = ROOT / "shared" / "small_vehicle_limits.yaml"
    spec = tmp_path / "cart.yaml"
    spec.write_text(Path(SPEC).read_text().replace("../../shared/small_vehicle_limits.yaml", str(limits)))
    for name in ("kit.dbc", "chassis.dbc"):
        (tmp_path / name).write_bytes((CART / name).read_bytes())
    with pytest.raises(OutputError, match="by an absolute path"):
        run(DROP, "--spec", str(spec), "--pack", str(tmp_path / "pack"))
    assert not (tmp_path / "pack").exists()


def test_a_spec_that_says_little_is_told_what_to_add(tmp_path: Path) -> None:
    """Without demands, axes, stop chain and overrides it still diagnoses, and says what it lacks."""
    (tmp_path / "kit.dbc").write_bytes((CART / "kit.dbc").read_bytes())
    spec = tmp_path / "small.yaml"
    spec.write_text(
        "vehicle: Small\nbuses: {drive: {description: kit.dbc, channel: can0}}\n"
        "records: {drive: {type: Drive, stamp: DriveFeedback, speed: DriveFeedback.Speed}}\n"
    )
    text = " ".join(run(WITHDREW, "--spec", str(spec))[1].split())
    assert "DriveFeedback fell silent" in text
    for missing in (
        "Demands:",
        "Axis states:",
        "Stop chain:",
        "Supplies:",
        "Rolling counters:",
        "Overrides:",
    ):
        assert missing in text.split("Not available here")[1]
