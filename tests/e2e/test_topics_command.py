"""`canmap topics`: the table on a screen and as JSON, and whole packages of message types, or none."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import pytest

from canmap.topics.record_messages import CORE_PACKAGE
from canmap.vocabulary.record_types import CORE_TYPES
from tests.e2e.shell import CART, ROOT, canmap
from tests.spec_builders import VEHICLE

if TYPE_CHECKING:
    from pathlib import Path

    from tests.e2e.shell import Command

CART_PATH = ROOT / CART


def test_the_screen_fits_80_columns_and_a_pipe() -> None:
    done = canmap("topics", CART, COLUMNS="80")
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert not any(line.endswith(" ") for line in lines)
    assert lines[0] == "Orchard cart: 21 topics"
    place = lines.index("  odom")
    assert lines[place + 1] == "    type nav_msgs/msg/Odometry  record motion  deadline 100 ms"
    assert lines[place + 2] == "    frame odom to base_link"
    assert lines[lines.index("  stop/active") + 2] == "    QoS transient local  deadline 300 ms"
    assert lines[-2:] == [
        "  /tf of motion: the spec does not say `transform: yes`.",
        "  /clock: it is sent only where asked for.",
    ]


def test_a_wide_screen_has_a_line_for_each(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "150")
    lines = command("topics", CART_PATH).stdout.splitlines()
    assert lines[2].split() == ["topic", "type", "record", "QoS", "deadline", "frame"]
    assert lines.index("Left out") == 3 + 21


def test_what_is_left_out_says_why(command: Command, tmp_path: Path) -> None:
    text = CART_PATH.read_text(encoding="utf-8").replace("steering_ratio: 15.4, rolling_radius: 0.27 m", "")
    text = text.replace("include: [../../shared/small_vehicle_limits.yaml]\n", "")
    start, end = text.index("  motion:\n"), text.index("  steering_demand:\n")
    spec = tmp_path / "cart.yaml"
    spec.write_text(text[:start] + text[end:] + "topics: {records: {battery: {own: none}}}\n")
    for name in ("kit.dbc", "chassis.dbc"):
        shutil.copy(CART_PATH.parent / name, tmp_path)
    said = command("topics", spec).stdout
    assert "  ackermann/report of steering: the `steering_ratio` is not known.\n" in said
    assert "  wheels/joint_states of wheels: the `rolling_radius` is not known.\n" in said
    line = len(spec.read_text().splitlines())
    assert f"  battery: the spec leaves it out (line {line}).\n" in said


def test_the_json_has_the_same(command: Command) -> None:
    done = command("topics", CART_PATH, "--namespace", "cart", "--json", "-")
    found = json.loads(done.stdout)
    assert (found["schema"], found["vehicle"], found["namespace"]) == (
        *("canmap/topics/1", "Orchard cart"),
        "cart",
    )
    topics = {topic["name"]: topic for topic in found["topics"]}
    odom = topics["/cart/odom"]
    assert (odom["type"], odom["form"], odom["records"]) == ("nav_msgs/msg/Odometry", "odometry", ["motion"])
    assert (odom["frame_id"], odom["child_frame_id"], odom["latency_s"]) == ("odom", "base_link", 0)
    assert odom["qos"] == {
        **{"reliability": "reliable", "durability": "volatile"},
        **{"depth": 10, "deadline_s": 0.1},
    }
    # as rosbags computes it, and as it stands in public code
    assert odom["type_hash"] == "RIHS01_3cc97dc7fb7502f8714462c526d369e35b603cfc34d946e3f2eda2766dfec6e0"
    assert topics["/cart/stop/active"]["qos"]["durability"] == "transient_local"
    assert topics["/diagnostics"]["frame_id"] is None
    assert [one["name"] for one in found["left_out"]] == ["/tf", "/clock"]
    screen = command("topics", CART_PATH, "--namespace", "/cart", "--clock").stdout
    assert "/clock: it is sent" not in screen
    assert "  /clock\n" in screen
    assert all(f"  {name}\n" in screen for name in topics)


def test_a_file_of_json_is_replaced_only_if_it_is_one(command: Command, tmp_path: Path) -> None:
    path, other = tmp_path / "topics.json", tmp_path / "other.json"
    for _ in range(2):
        assert command("topics", CART_PATH, "--json", path).returncode == 0
    assert json.loads(path.read_text())["topics"]
    other.write_text("{}")
    assert command("topics", CART_PATH, "--json", other).stderr.startswith(f"canmap: {other} exists")
    assert other.read_text() == "{}"
    assert command("topics", CART_PATH, "--json", other, "--overwrite").returncode == 0
    refused = command("topics", CART_PATH, "--json", CART_PATH, "--overwrite")
    assert (refused.returncode, "which is an input" in refused.stderr) == (2, True)


def test_the_packages_of_a_vehicle_with_types_of_its_own(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "workspace" / "src"
    done = command("topics", VEHICLE, "--into", folder)
    assert done.returncode == 0, done.stderr
    core, own = folder / CORE_PACKAGE, folder / "yard_hauler_msgs"
    said = done.stdout.splitlines()[-1]
    assert said.startswith(f"Written: {core} and {own}. ")
    assert f"`colcon build --packages-select {core.name} {own.name}`" in said
    assert "source install/setup.bash" in said
    assert {path.name for path in (core / "msg").iterdir()} == {f"{name}.msg" for name in CORE_TYPES}
    assert [path.name for path in (own / "msg").iterdir()] == ["LiftArm.msg"]
    listed = (own / "CMakeLists.txt").read_text()
    assert "project(yard_hauler_msgs)" in listed
    assert '  "msg/LiftArm.msg"\n' in listed
    assert "<name>yard_hauler_msgs</name>" in (own / "package.xml").read_text()
    (tmp_path / "new").touch()
    modes = {path.stat().st_mode for path in own.rglob("*") if path.is_file()}
    assert modes == {(tmp_path / "new").stat().st_mode}


def test_a_package_that_is_there_is_not_replaced(command: Command, tmp_path: Path) -> None:
    assert command("topics", CART_PATH, "--into", tmp_path).returncode == 0
    file, mine = tmp_path / CORE_PACKAGE / "msg" / "Stop.msg", tmp_path / CORE_PACKAGE / "NOTES.md"
    text = file.read_text()
    file.write_text("changed")
    mine.write_text("mine")
    refused = command("topics", CART_PATH, "--into", tmp_path)
    assert refused.returncode == 2
    told = f"canmap: {file.parents[1]} exists; name another folder, or give --overwrite.\n"
    assert (refused.stdout, refused.stderr) == ("", told)
    assert file.read_text() == "changed"
    assert command("topics", CART_PATH, "--into", tmp_path, "--overwrite").returncode == 0
    assert (file.read_text(), mine.read_text()) == (text, "mine")


def test_what_cannot_be_written_leaves_nothing(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("a file")
    for folder, told in (
        (file, f"canmap: {file / CORE_PACKAGE} cannot be written: "),
        ("", "canmap: Packages are folders: name the folder that they go into."),
        ("-", "canmap: Packages are folders: name the folder that they go into."),
    ):
        done = command("topics", CART_PATH, "--into", folder)
        assert done.returncode == 2
        assert done.stderr.startswith(told)
        assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == [file]


def test_packages_appear_together(command: Command, tmp_path: Path) -> None:
    blocked = tmp_path / CORE_PACKAGE / "msg" / "Stop.msg"
    blocked.mkdir(parents=True)
    done = command("topics", CART_PATH, "--into", tmp_path, "--overwrite")
    assert (done.returncode, done.stderr) == (2, f"canmap: {blocked} is a folder; name a file in it.\n")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_json_on_standard_output_stays_json(command: Command, tmp_path: Path) -> None:
    done = command("topics", CART_PATH, "--json", "-", "--into", tmp_path)
    assert json.loads(done.stdout)["vehicle"] == "Orchard cart"
    assert done.stderr.startswith("Written: ")


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["nothing.yaml"], "nothing.yaml: "),
        ([CART_PATH, "--namespace", "2nd"], "--namespace: 2nd is not a namespace: it is not made of parts"),
        ([CART_PATH, CART_PATH], "Got unexpected extra argument"),
    ],
)
def test_a_wrong_request_is_a_sentence(command: Command, arguments: list[object], complaint: str) -> None:
    done = command("topics", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"canmap: {complaint}")
    assert done.stderr.count("\n") == 1
