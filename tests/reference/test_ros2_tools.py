"""Packages of message types, built by the tools of ROS 2 themselves, and names judged by its client library.

CANMAP_ROS2 names a folder with a virtual environment that has them: colcon, the interface generators, rclpy.
Building takes a minute or two; without that folder these tests are skipped.
"""

from __future__ import annotations

import json
import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from mcap.reader import make_reader

import canmap
from canmap.outputs.packages import write_packages
from canmap.topics.full_names import full_names
from canmap.topics.interface_package import InterfacePackage, interface_packages
from canmap.topics.plan_json import known_types
from canmap.topics.standard_types import standard_types
from canmap.topics.topic import MessageForm
from canmap.topics.topic_table import topic_table
from canmap.topics.type_hash import type_hash
from canmap.vocabulary.ros_names import topic_fault
from tests.e2e import shell
from tests.e2e.shell import CART, DEMO
from tests.ros2.peer import Ros2, free_domain
from tests.spec_builders import VEHICLE
from tests.streams import ROOT

ROS2 = os.environ.get("CANMAP_ROS2", "")
pytestmark = pytest.mark.skipif(not ROS2, reason="CANMAP_ROS2 names no environment with ROS 2")
LONGEST_S = 900

NODE = """
import importlib, json, sys
import rclpy

rclpy.init()
node = rclpy.create_node("listener")
found = {}
for name, kind in json.load(sys.stdin):
    package, _, short = kind.partition("/msg/")
    message = getattr(importlib.import_module(package + ".msg"), short)
    publisher = node.create_publisher(message, name, 10)
    found[publisher.topic_name] = [message().get_fields_and_field_types(), message.__name__]
    node.destroy_publisher(publisher)
rclpy.shutdown()
print(json.dumps(found))
"""
JUDGE = """
import json, sys
from rclpy.exceptions import InvalidTopicNameException
from rclpy.validate_full_topic_name import validate_full_topic_name

def is_valid(name):
    try:
        return validate_full_topic_name(name)
    except InvalidTopicNameException:
        return False

print(json.dumps([is_valid(name) for name in json.load(sys.stdin)]))
"""


@dataclass
class Workspace:
    """A workspace in which the packages are built."""

    folder: Path

    def variables(self) -> dict[str, str]:
        """What a process gets to see that uses what is built."""
        ros2, install = Path(ROS2).resolve(), self.folder / "install"
        packages = [str(path) for path in install.glob("lib/python3*/site-packages")]
        return {
            "PATH": f"{ros2 / 'bin'}:{os.environ['PATH']}",
            "HOME": str(self.folder),
            "CMAKE_PREFIX_PATH": str(ros2),
            "AMENT_PREFIX_PATH": f"{install}:{ros2}" if packages else str(ros2),
            "LD_LIBRARY_PATH": f"{install / 'lib'}:{ros2 / 'lib'}",
            "PYTHONPATH": ":".join(packages),
        }

    def run(self, *command: str, given: object = None) -> str:
        done = subprocess.run(
            command,
            input=json.dumps(given),
            cwd=self.folder,
            env=self.variables(),
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@pytest.fixture(scope="module")
def specs() -> list[canmap.Spec]:
    """The orchard cart, and a vehicle with record types of its own."""
    return [canmap.load_spec(ROOT / "specs" / "orchard_cart" / "cart.yaml"), canmap.load_spec(VEHICLE)]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory, specs: list[canmap.Spec]) -> Workspace:
    workspace = Workspace(tmp_path_factory.mktemp("workspace"))
    source = str(workspace.folder / "src")
    for spec in specs:  # the package of the catalogue is the same for both
        write_packages(source, interface_packages(spec), spec.files, overwrite=True)
    known = standard_types()
    reports = known["ackermann_msgs/msg/AckermannDrive"], known["ackermann_msgs/msg/AckermannDriveStamped"]
    write_packages(source, [InterfacePackage("ackermann_msgs", reports)], (), overwrite=True)
    python = Path(ROS2).resolve() / "bin" / "python"
    arguments = [f"-DPython3_EXECUTABLE={python}", "-DCMAKE_BUILD_TYPE=Debug"]
    workspace.run("colcon", "build", "--merge-install", "--cmake-args", *arguments)
    return workspace


def test_the_hashes_are_those_of_the_built_types(built: Workspace, specs: list[canmap.Spec]) -> None:
    judged = 0
    for spec in specs:
        topics = topic_table(spec)
        for package in interface_packages(spec):
            for kind in package.types:
                short = kind.name.rpartition("/")[2]
                path = built.folder / "install" / "share" / package.name / "msg" / f"{short}.json"
                described = json.loads(path.read_text())["type_hashes"]
                hashes = {one["type_name"]: one["hash_string"] for one in described}
                known = {**known_types(topics), kind.name: kind}
                assert type_hash(kind, known) == hashes[kind.name]
                judged += 1
    assert judged == 23


def test_a_node_has_the_types(built: Workspace, specs: list[canmap.Spec]) -> None:
    for spec in specs:
        own = [topic for topic in topic_table(spec) if topic.form is MessageForm.OWN]
        wanted = [[topic.name, topic.type.name] for topic in own]
        found = json.loads(built.run("python", "-c", NODE, given=wanted))
        assert list(found) == list(full_names(own))
        for topic, (fields, name) in zip(own, found.values(), strict=True):
            assert name == topic.type.name.rpartition("/")[2]
            assert list(fields) == [field.name for field in topic.type.fields]


def test_names_of_topics_are_what_the_client_library_takes(
    built: Workspace, specs: list[canmap.Spec]
) -> None:
    good = [name for spec in specs for name in full_names(topic_table(spec, clock=True), "cart/rear")]
    good += ["/a_b/c", "/A9", "/" + "a" * 246, "/a_"]
    bad = ["/2nd", "/a//b", "/a/", "/a b", "/a-b", "/a/9", "/ä", "/", "/a" * 124, "/a.b", "/~a", "/{a}"]
    assert [topic_fault(name) for name in good] == [""] * len(good)
    assert all(topic_fault(name) for name in bad)
    judged = json.loads(built.run("python", "-c", JUDGE, given=good + bad))
    assert judged == [True] * len(good) + [False] * len(bad)


@dataclass(frozen=True)
class BuiltRos2(Ros2):
    """The same ROS 2 with what is built."""

    workspace: Workspace

    def variables(self, **changes: str) -> dict[str, str]:
        built = self.workspace.variables()
        built["PYTHONPATH"] += f":{ROOT}"
        return super().variables(**(built | changes))


def test_every_topic_of_a_replay_arrives_as_a_bag_holds_it(built: Workspace, tmp_path: Path) -> None:
    table = {topic.name: topic for topic in topic_table(canmap.load_spec(ROOT / CART), clock=True)}
    full = dict(zip(table, full_names(table.values(), "cart"), strict=True))
    wanted = [{"name": full[name], "type": topic.type.name} for name, topic in table.items()]
    span = ("--spec", CART, "--from", "4.5", "--to", "6")
    with free_domain() as domain:
        ros2 = BuiltRos2(Path(ROS2).resolve() / "bin" / "python", domain, tmp_path, built)
        with ros2.listening(*wanted) as near:
            pace = (
                "--record",
                "none",
                "--topics",
                "--wait-for-readers",
                "20",
                "--clock",
                "--namespace",
                "cart",
            )
            done = ros2.run("replay", DEMO, *span, *pace)
    assert done.returncode == 1, done.stderr  # the steering drop is an error
    sent = ros2.sent()
    assert set(sent) == set(table)
    for name, messages in sent.items():
        assert near.got(full[name]) == [data + "00" * (-len(data) // 2 % 4) for data, _ in messages], name
    bag = tmp_path / "same.mcap"
    shell.canmap("export", DEMO, *span, "--into", bag, "--namespace", "cart")
    with bag.open("rb") as file:
        for _, channel, message in make_reader(file).iter_messages(log_time_order=False):
            topic = next(name for name, one in full.items() if one == channel.topic)
            assert sent[topic].pop(0)[0] == message.data.hex(), topic
    assert {name for name, left in sent.items() if left} == {"/clock"}
