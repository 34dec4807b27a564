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

import canmap
from canmap.outputs.packages import write_packages
from canmap.topics.full_names import full_names
from canmap.topics.interface_package import interface_packages
from canmap.topics.plan_json import known_types
from canmap.topics.topic import MessageForm
from canmap.topics.topic_table import topic_table
from canmap.topics.type_hash import type_hash
from canmap.vocabulary.ros_names import topic_fault
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

    def run(self, *command: str, given: object = None) -> str:
        ros2, install = Path(ROS2).resolve(), self.folder / "install"
        packages = [str(path) for path in install.glob("lib/python3*/site-packages")]
        done = subprocess.run(
            command,
            input=json.dumps(given),
            cwd=self.folder,
            env={
                "PATH": f"{ros2 / 'bin'}:{os.environ['PATH']}",
                "HOME": str(self.folder),
                "CMAKE_PREFIX_PATH": str(ros2),
                "AMENT_PREFIX_PATH": f"{install}:{ros2}" if packages else str(ros2),
                "LD_LIBRARY_PATH": f"{install / 'lib'}:{ros2 / 'lib'}",
                "PYTHONPATH": ":".join(packages),
            },
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
    for spec in specs:  # the package of the catalogue is the same for both
        source = str(workspace.folder / "src")
        write_packages(source, interface_packages(spec), spec.files, overwrite=True)
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
