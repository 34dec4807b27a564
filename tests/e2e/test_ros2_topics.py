"""`canmap replay --topics` to a node of a real ROS 2 in a second process: nothing is lost."""

from __future__ import annotations

import signal
import subprocess
import time
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from rosbags.typesys import Stores, get_typestore

from tests.e2e.shell import CART, DEMO, ROOT
from tests.ros2.peer import LONGEST_S, Ros2, free_domain, python_of_ros2

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.ros2.peer import Listening

TYPES = get_typestore(Stores.ROS2_KILTED)
SPAN = ("--from", "4.5", "--to", "6")
REPLAY = ("replay", DEMO, "--spec", CART, "--record", "none", "--topics", "--wait-for-readers", "20")
ODOMETRY, TWIST = "nav_msgs/msg/Odometry", "geometry_msgs/msg/TwistWithCovarianceStamped"
BATTERY, WHEELS = "sensor_msgs/msg/BatteryState", "sensor_msgs/msg/JointState"
CLOCK, DIAGNOSTICS, BOOL = (
    "rosgraph_msgs/msg/Clock",
    "diagnostic_msgs/msg/DiagnosticArray",
    "std_msgs/msg/Bool",
)
IN_CART = {
    "odom": ODOMETRY,
    "twist": TWIST,
    "battery": BATTERY,
    "wheels/joint_states": WHEELS,
    "stop/active": BOOL,
}
DEADLINE_NS = 100_000_000  # of the frames that stamp the motion: stale_after in the spec


@pytest.fixture(scope="module")
def python() -> Path:
    try:
        found = python_of_ros2()
    except RuntimeError as error:
        pytest.skip(str(error))
    if found is None:
        pytest.skip("CANMAP_ROS2 does not name an environment with a ROS 2")
    return found


@pytest.fixture
def ros2(python: Path, tmp_path: Path) -> Iterator[Ros2]:
    """Its own domain, so that tests that run at the same time do not hear each other."""
    with free_domain() as domain:
        yield Ros2(python, domain, tmp_path)


def subscription(name: str, kind: str, **qos: Any) -> dict[str, Any]:
    return {"name": name, "type": kind, **qos}


def padded(data: str) -> str:
    """As a subscription hands bytes on: filled up to a multiple of four."""
    return data + "00" * (-len(data) // 2 % 4)


def read(data: str, kind: str) -> Any:
    return TYPES.deserialize_cdr(bytes.fromhex(data), kind)


def ns(stamp: Any) -> int:
    return int(stamp.sec) * 1_000_000_000 + int(stamp.nanosec)


@pytest.fixture(scope="module")
def heard(
    python: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Ros2, Listening, Listening, subprocess.CompletedProcess[str]]:
    """A replay at its pace; who listened in its domain, and who in another; and what became of it."""
    wanted = [
        *(subscription(f"/cart/{name}", kind) for name, kind in IN_CART.items()),
        subscription("/clock", CLOCK),
        subscription("/diagnostics", DIAGNOSTICS, reliable=False),
    ]
    with free_domain() as domain, free_domain() as other:
        ros2 = Ros2(python, domain, tmp_path_factory.mktemp("ros2"))
        near_by = ros2.listening(*wanted, until_alone=True)
        with near_by as near, ros2.listening(*wanted, domain=other) as far:
            done = ros2.run(*REPLAY, *SPAN, "--namespace", "cart", "--clock")
    return ros2, near, far, done


def test_every_message_arrives_as_it_was_sent_and_in_order(heard: Any) -> None:
    ros2, near, _, _ = heard
    sent = ros2.sent()
    assert {f"/cart/{name}" if name in IN_CART else name for name in sent} == set(near.result["got"])
    for name, messages in sent.items():
        got = near.got(f"/cart/{name}" if name in IN_CART else name)
        assert got == [padded(data) for data, _ in messages], name
    # 1.5 s: wheels every 20 ms, the clock every 10 ms; no odometry while the steering is dead, for 0.38 s.
    assert len(sent["wheels/joint_states"]) == pytest.approx(75, abs=2)
    assert len(sent["odom"]) == pytest.approx(56, abs=2)
    assert len(sent["/clock"]) == pytest.approx(150, abs=2)


def test_nothing_arrives_in_another_domain(heard: Any) -> None:
    _, _, far, _ = heard
    assert [name for name, got in far.result["got"].items() if got] == []
    assert far.result["nodes"] == ["/listener"]


def test_the_graph_shows_the_node_its_types_and_what_it_offers(heard: Any) -> None:
    _, near, _, _ = heard
    result = near.result
    assert result["nodes"] == ["/cart/canmap", "/listener"]
    assert result["nodes_at_end"] == ["/listener"]
    offered = {
        name: info
        for name, infos in result["publishers"].items()
        for info in infos
        if info["node"] == "canmap" and name != "/parameter_events"  # that one every node has
    }
    assert {name: info["type"] for name, info in offered.items()} == {
        **{f"/cart/{name}": kind for name, kind in IN_CART.items()},
        "/clock": CLOCK,
        "/diagnostics": DIAGNOSTICS,
    }
    assert {info["reliability"] for info in offered.values()} == {"RELIABLE"}
    assert offered["/cart/stop/active"]["durability"] == "TRANSIENT_LOCAL"
    assert offered["/cart/odom"]["durability"] == "VOLATILE"
    assert offered["/cart/odom"]["deadline_ns"] == DEADLINE_NS


def test_stamps_are_those_of_the_recording_and_the_clock_goes_with_them(heard: Any) -> None:
    _, near, _, _ = heard
    stamps = [ns(read(data, ODOMETRY).header.stamp) for data in near.got("/cart/odom")]
    first = float((ROOT / DEMO).read_text().partition(")")[0][1:])
    assert stamps[0] / 1e9 == pytest.approx(first + 4.5, abs=0.03)
    clock = [ns(read(data, CLOCK).clock) for data in near.got("/clock")]
    assert {later - earlier for earlier, later in pairwise(clock)} == {10_000_000}
    # At its pace: what took 1.5 s takes 1.5 s.
    sent_at = [sent for _, sent, _ in near.result["got"]["/clock"]]
    assert (sent_at[-1] - sent_at[0]) / 1e9 == pytest.approx((clock[-1] - clock[0]) / 1e9, abs=0.1)


def test_the_screen_says_what_went_out_and_what_is_left_out(heard: Any) -> None:
    _, _, _, done = heard
    assert done.returncode == 1
    assert "FAIL: 1 error" in done.stdout
    assert "messages went out on 7 topics, 99 % of them at most " in done.stdout
    left_out = done.stderr.splitlines()
    assert len(left_out) == 2
    assert left_out[0].startswith(
        "ackermann/report is left out, as the package ackermann_msgs is not there; "
    )
    assert "canmap topics SPEC --into FOLDER" in left_out[1]
    assert left_out[1].startswith("steering, drive, brake, wheels, ")


def test_ros_arguments_and_stamps_of_now(ros2: Ros2) -> None:
    with ros2.listening(subscription("/far/wheel_odom", ODOMETRY)) as listener:
        began_ns = time.time_ns()
        done = ros2.run(
            *REPLAY, "--from", "6", "--to", "6.5", "--stamps", "now", "--pace", "0.5",
            "--ros-args", "-r", "__node:=bench", "-r", "__ns:=/far", "-r", "odom:=wheel_odom",
        )  # fmt: skip
    assert (done.returncode, "messages went out" in done.stdout) == (0, True)
    assert "/far/bench" in listener.result["nodes"]
    got = listener.result["got"]["/far/wheel_odom"]
    assert len(got) == pytest.approx(25, abs=1)
    stamps = [ns(read(data, ODOMETRY).header.stamp) for data, _, _ in got]
    assert began_ns < stamps[0] < stamps[-1] < time.time_ns()
    for stamp, (_, sent_at, _) in zip(stamps, got, strict=True):  # the stamp is when it was due
        assert -0.001 <= (sent_at - stamp) / 1e9 < 0.5
    assert (stamps[-1] - stamps[0]) / 1e9 == pytest.approx(24 * 0.02 / 0.5, abs=0.05)


def test_flat_out_the_readers_are_waited_for(ros2: Ros2) -> None:
    with ros2.listening(subscription("/odom", ODOMETRY), subscription("/twist", TWIST)) as listener:
        ros2.run(*REPLAY, "--from", "2", "--to", "5", "--pace", "flat")
    assert len(listener.got("/odom")) == len(listener.got("/twist")) == len(ros2.sent()["odom"]) > 100


def started(ros2: Ros2, *options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        ros2.command(*REPLAY, *options), cwd=ROOT, env=ros2.variables(), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def wait_until_it_offers(process: subprocess.Popen[str]) -> None:
    """Wait for what it says last before it waits for readers."""
    assert process.stderr is not None
    while "canmap_msgs" not in process.stderr.readline():
        assert process.poll() is None


def test_who_comes_late_learns_of_the_stop_and_control_c_ends_at_once(ros2: Ros2) -> None:
    """The stop chain is all that who comes late gets from before; then Ctrl-C in the midst of it."""
    latecomer = [
        subscription("/stop/active", BOOL, transient_local=True),
        subscription("/odom", ODOMETRY),
    ]
    with started(ros2, "--wait-for-readers", "0") as process:
        wait_until_it_offers(process)
        time.sleep(1)
        with ros2.listening(*latecomer) as late:
            time.sleep(2.5)
        process.send_signal(signal.SIGINT)
        asked_s = time.monotonic()
        out, said = process.communicate(timeout=LONGEST_S)
        assert time.monotonic() - asked_s < 2
    since_ns = late.result["got"]["/odom"][0][1]
    earlier = [sent for _, sent, _ in late.result["got"]["/stop/active"] if sent < since_ns]
    assert len(earlier) >= 5  # of the ten that are kept; the newest may be later
    assert process.returncode == 130
    assert "messages went out on" in out
    assert said.splitlines()[-1] == "interrupted; the report covers only what was read until then"


def test_control_c_while_it_waits_for_readers(ros2: Ros2) -> None:
    with started(ros2) as process:
        wait_until_it_offers(process)
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=5)
    assert (process.returncode, said) == (130, "interrupted\n")


def test_a_reader_that_hangs_is_waited_for_once_and_not_on_every_topic(ros2: Ros2) -> None:
    """A replay that was suspended has messages to catch up with, more than a topic keeps."""
    wanted = [subscription(f"/{name}", kind) for name, kind in IN_CART.items()]
    with ros2.listening(*wanted) as listener, started(ros2, "--to", "4") as process:
        assert process.stdout is not None
        assert process.stdout.readline()  # it has begun
        listener.hang()
        process.send_signal(signal.SIGSTOP)
        time.sleep(0.5)
        process.send_signal(signal.SIGCONT)
        process.communicate(timeout=LONGEST_S)
    sent_at = sorted(sent for messages in ros2.sent().values() for _, sent in messages)
    waits = [later - earlier for earlier, later in pairwise(sent_at) if later - earlier > 400_000_000]
    assert len(waits) == 2  # it was suspended, and waited half a second


NOT_STARTED = "The ROS 2 node cannot be started: "


@pytest.mark.parametrize(
    ("options", "domain", "said"),
    [
        ((), "233", "ROS_DOMAIN_ID is 233; it has to be a number from 0 to 232."),
        (
            ("--namespace", "a//b"),
            "0",
            "--namespace: a//b is not a namespace: it is not made of parts",
        ),
        (
            ("--ros-args", "-r", "odom:here"),
            "0",
            NOT_STARTED + "Couldn't parse remap rule: '-r odom:here'.",
        ),
        (("--ros-args", "--nothing"), "0", NOT_STARTED + "it does not know the ROS arguments '--nothing'."),
    ],
)
def test_what_ros_2_refuses_is_a_sentence(
    ros2: Ros2, options: tuple[str, ...], domain: str, said: str
) -> None:
    done = ros2.run(*REPLAY, *SPAN, *options, ROS_DOMAIN_ID=domain)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", done.stderr)
    assert done.stderr.startswith(f"canmap: {said}")
    assert done.stderr.count("\n") == 1
