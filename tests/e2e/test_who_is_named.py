"""What a diagnosis tells once: whom the computer missed, who lost frames, what is wrong again and again."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.e2e.test_diagnose_command import CLEAN, DROP, SPEC, run, section, simulate


def test_a_computer_that_withdrew_did_so_after_a_report_of_an_axis(tmp_path: Path) -> None:
    """The whole kit loses its supply; the computer watches the reports of the axes, each for 150 ms.

    Truth: scenarios/watchful_drive.yaml, and the ground truth of the run: BrakeFeedback was missed first.
    """
    faults, capture = tmp_path / "faults.yaml", tmp_path / "cut.log"
    faults.write_text("faults: [{kind: supply_cut, at: 5 s, for: 1 s}]\n", encoding="utf-8")
    simulate("watchful_drive", faults, str(capture))
    truth = capture.with_suffix(".yaml").read_text(encoding="utf-8")
    (watched,) = re.findall(r"what: feedback silent\n +of: (\w+)", truth)
    told = " ".join(run(str(capture), "--spec", SPEC)[1].split())
    found = re.search(r"took its demands back (\d+) to (\d+) ms after the last (\w+):", told)
    assert found
    assert found[3] == watched == "BrakeFeedback"
    assert int(found[1]) <= 150 <= int(found[2])


def test_who_lost_frames_here_and_there_is_named_once(tmp_path: Path) -> None:
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "loose.log")
    fault = "{kind: loose_connector, behind: BrakeNode, every: 300 ms, at: 4 s, for: 3 s}"
    faults.write_text(f"faults: [{fault}]\n", encoding="utf-8")
    simulate("watchful_drive", faults, capture)
    told = " ".join(run(capture, "--spec", SPEC)[1].split())
    assert re.search(r"\d frames did not come: SteerFeedback and BrakeFeedback\.", told)


def test_a_value_that_is_wrong_again_and_again_is_told_once(tmp_path: Path) -> None:
    """The contact opens five times, and each time the angle jumps, leaves its range and its demand."""
    faults, capture = tmp_path / "faults.yaml", str(tmp_path / "contact.log")
    fault = "kind: sensor_contact, signal: SteerFeedback.Angle, share: 10 %, rail: high, at: 4 s, for: 2 s"
    faults.write_text(f"faults: [{{{fault}}}]\n", encoding="utf-8")
    simulate("watchful_drive", faults, capture)
    told = " ".join(section(run(capture, "--spec", SPEC)[1], "What happened").split())
    for words in ("its limit is 700 deg/s.", "above its limit of 540 deg.", "1.2 s after a demand."):
        again = rf"{words} \(line \d+\) 4 more findings like it, the last at 5\.872 s\."
        assert len(re.findall(again, told)) == 1, words
    assert told.count("steering.wheel_angle changed by") == 1


@pytest.mark.parametrize(("gaps", "told"), [(25, True), (20, False)])
def test_what_came_too_often_to_be_looked_at_is_told(gaps: int, told: bool, tmp_path: Path) -> None:
    """One message is away for 0.2 s, once in 0.8 s."""
    lines = Path(CLEAN).read_text(encoding="ascii").splitlines(keepends=True)
    first_s = float(lines[0].split()[0][1:-1])

    def away(line: str) -> bool:
        at_s = float(line.split(maxsplit=1)[0][1:-1]) - first_s - 2
        return " can0 112#" in line and 0 < at_s < gaps * 0.8 and at_s % 0.8 < 0.2

    capture = tmp_path / "often.log"
    capture.write_text("".join(line for line in lines if not away(line)), encoding="ascii")
    text = " ".join(run(str(capture), "--spec", SPEC)[1].split())
    assert ("Of what came more than 20 times the first 20 are looked at;" in text) is told


def test_sentences_stand_apart_from_times_of_any_length(tmp_path: Path) -> None:
    """The capture begins with one frame, and the rest comes 100 s later."""
    lines = Path(DROP).read_text(encoding="ascii").splitlines(keepends=True)
    second = int(lines[0][1:11])
    capture = tmp_path / "late.log"
    early = lines[0].replace(str(second), str(second - 100), 1)
    capture.write_text("".join([early, *lines]), encoding="ascii")
    text = run(str(capture), "--spec", SPEC, "--at", "105")[1]
    assert re.search(r"^    105\.010 to 105\.024  SteerFeedback fell silent", text, re.MULTILINE)


# What comes all the time, by specs/orchard_cart/kit.dbc.
OF_NODE = {
    "SteerNode": {"SteerFeedback", "SteerDiagnostics"},
    "BrakeNode": {"BrakeFeedback"},
    "DriveNode": {"DriveFeedback", "PedalState"},
}


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        (
            "{kind: loop_chatter, open_for: 30 ms, every: 900 ms, at: 6.1 s, for: 2.5 s}",
            "All nodes that the stop chain cuts (SteerNode, BrakeNode and DriveNode) fell silent for",
        ),
        (
            "{kind: node_restart, node: BrakeNode, at: 6.1 s, for: 400 ms}, "
            "{kind: node_restart, node: DriveNode, at: 6.12 s, for: 400 ms}",
            "Every message of several nodes fell silent for",
        ),
    ],
)
def test_all_nodes_that_fell_silent_are_named_and_no_other(faults: str, said: str, tmp_path: Path) -> None:
    """Truth: that of the run; each node lives on its capacitor, the brake's for the shortest time."""
    written, capture = tmp_path / "faults.yaml", tmp_path / "off.log"
    written.write_text(f"faults: [{faults}]\n", encoding="utf-8")
    simulate("short_drive", written, str(capture))
    truth = capture.with_suffix(".yaml").read_text(encoding="utf-8")
    off = set(re.findall(r"what: node off\n +of: (\w+)", truth))
    told = json.loads(run(str(capture), "--spec", SPEC, "--json", "-")[1])["episodes"][0]
    (reach,) = [one for one in told["evidence"] if one["atom"] == "reach"]
    assert set(reach["names"]) == set().union(*(OF_NODE[node] for node in off))
    assert reach["text"].startswith(said)
