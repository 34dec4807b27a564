"""`canmap diagnose` through the real command line, on the captures of the README."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from canmap.api.diagnose import diagnose
from canmap.cli.app import app
from canmap.diagnosis.evidence_words import SENTENCES

ROOT = Path(__file__).parents[2]
SPEC = str(ROOT / "specs" / "orchard_cart" / "cart.yaml")
DROP = str(ROOT / "captures" / "steering_drop.log")
PRESSED = str(ROOT / "captures" / "stop_pressed.log")
DAY_ONE = str(ROOT / "captures" / "day_one.log")
CLEAN = str(ROOT / "captures" / "clean_drive.log")


def run(*words: str, columns: int = 100) -> tuple[int, str]:
    ended = CliRunner(env={"COLUMNS": str(columns)}).invoke(
        app, ["diagnose", *words], catch_exceptions=False, standalone_mode=False
    )
    return ended.return_value, ended.output


def test_a_dropped_message_and_a_sensor_are_two_episodes() -> None:
    status, text = run(DROP, "--spec", SPEC)
    assert status == 1
    assert "task stopped" in text
    assert "sensors apart" in text
    assert "As it should be throughout" in text
    assert "Not available here" in text
    assert "The maker's manual" in text


def test_a_pressed_button_is_named_with_checks_and_cautions() -> None:
    status, text = run(PRESSED, "--spec", SPEC)
    assert status == 1
    assert "A stop button was pressed" in text
    assert "K7: Never bridge the stop loop" in text
    # Nothing is wider than the course that is drawn, on a narrow screen either.
    drawn = [line for line in run(PRESSED, "--spec", SPEC, columns=60)[1].splitlines() if "...." in line]
    assert drawn
    assert max(map(len, drawn)) <= 60


def test_a_clean_drive_has_no_episode() -> None:
    status, text = run(CLEAN, "--spec", SPEC)
    assert status == 0
    assert "No episode" in text


def test_what_is_not_as_described_from_the_start_is_an_episode() -> None:
    status, text = run(DAY_ONE, "--spec", SPEC)
    assert status == 1
    assert "BatteryState is not as described, from the first frame to the last" in text
    assert "Spec or description do not fit what is sent" in text.split("Root cause")[1]


def test_an_axis_that_jams_is_told_by_what_the_wheels_say(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", tmp_path / "jam.log"
    faults.write_text("faults: [{kind: jammed_linkage, at: 4 s, for: 2 s}]\n", encoding="utf-8")
    scenario = str(ROOT / "specs" / "orchard_cart" / "scenarios" / "short_drive.yaml")
    told = CliRunner().invoke(app, ["simulate", scenario, "--faults", str(faults), "--into", str(capture)])
    assert told.exit_code == 0, told.output
    _, text = run(str(capture), "--spec", SPEC)
    assert "steering.wheel_angle did not follow its demand" in text.split("What happened")[1]
    assert "The axis did not follow its demand" in text.split("Root cause")[1]


def test_no_sentence_needs_the_one_before_it() -> None:
    """The page puts sentences in another order each time, so that an "it" would stand for anything."""
    assert [text for text in SENTENCES.values() if text.startswith(("It ", "Later its "))] == []


def test_a_choice_that_fits_no_episode_says_how_many_there_are() -> None:
    _, text = run(DROP, "--spec", SPEC, "--message", "BatteryState")
    assert "No episode fits what was asked for; the capture has 2 episodes in all." in text
    assert "1 of 2 episodes" in run(DROP, "--spec", SPEC, "--at", "8")[1]


def test_the_json_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "diagnosis.json"
    assert run(DROP, "--spec", SPEC, "--json", str(path))[0] == 1
    told = json.loads(path.read_text(encoding="utf-8"))
    assert told["schema"] == "canmap/diagnosis/1"
    assert [episode["root"] for episode in told["episodes"]] == ["task_stopped", "sensors_apart"]
    first = told["episodes"][0]
    assert first["start_s"] == pytest.approx(5.03, abs=0.03)  # what the fault file says, within two frames
    assert {"for", "against", "next", "statement", "points", "basis"} <= first["causes"][0].keys()
    began = first["began_between_s"]  # its gateway copy comes later, and tells nothing of when it began
    assert began[0] < 5.017555 < began[1]  # of the ground truth beside the capture
    line = next(one["line"] for one in first["evidence"] if one["atom"] == "reach")
    assert Path(DROP).read_text(encoding="utf-8").splitlines()[line - 1].split()[2].startswith("101#")
    assert run(DROP, "--spec", SPEC, "--json", str(path))[0] == 1  # its own file may be replaced


def test_episodes_can_be_narrowed() -> None:
    assert len(diagnose(DROP, SPEC).episodes) == 2
    assert [one.span.number for one in diagnose(DROP, SPEC, at_s=8.1).episodes] == [2]
    assert [one.span.number for one in diagnose(DROP, SPEC, message="SteerFeedback").episodes] == [1]
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
    ],
)
def test_what_cannot_be_done_is_said(words: list[str], said: str) -> None:
    from canmap.base.errors import CanmapError

    with pytest.raises(CanmapError, match=said):
        run(*words)


def test_a_pack_holds_what_the_maker_needs(tmp_path: Path) -> None:
    folder = tmp_path / "pack"
    status, _ = run(DROP, "--spec", SPEC, "--at", "5", "--pack", str(folder))
    assert status == 1
    assert {"page.txt", "diagnosis.json", "episode_1.log", "spec"} == {path.name for path in folder.iterdir()}
    # The capture cut to five seconds gives the same root by the spec beside it.
    (spec,) = folder.rglob("cart.yaml")
    again = diagnose(str(folder / "episode_1.log"), str(spec))
    assert again.result.capture.duration_s == pytest.approx(5.0, abs=0.05)
    assert [one.judgement.first[0].cause.key for one in again.episodes] == ["task_stopped"]
    from canmap.base.errors import OutputError

    with pytest.raises(OutputError, match="exists"):
        run(DROP, "--spec", SPEC, "--at", "5", "--pack", str(folder))
