"""Benchmark: how late messages go out against their schedule, and whether they drift.

python -m tests.bench.pace --seconds 60              # as far as a sink of our own
python -m tests.bench.pace --seconds 60 --topics     # to a node of the real ROS 2 that CANMAP_ROS2 names

The demonstration drive is replayed at its pace, over and over. The lateness of a message is the time from
when its frame is due to when the message is handed on: without topics, the record to a sink; with them, the
bytes to rclpy. The drift is that of the 20 quickest messages in each hundredth of the run, fitted by a line
and given for ten minutes. With topics a listener in a second process takes what arrives; its times of receipt
are compared with the schedule too. The load of the machine stands beside it.

With ``--processor`` the clock goes on by what the thread takes of the processor, and by the pauses, which are
not slept: so it comes out as on a machine that does nothing else, however busy this one is.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

ROOT = Path(__file__).parent.parent.parent
if (packages := os.environ.get("CANMAP_BENCH_PACKAGES")) is not None:
    sys.path.append(packages)  # what canmap needs and a ROS 2 does not have

import numpy as np  # noqa: E402

from canmap.api.inspect import inspect_intake  # noqa: E402
from canmap.engine.intake import Intake  # noqa: E402
from canmap.frames.readers import open_captures  # noqa: E402
from canmap.frames.window import Window  # noqa: E402
from canmap.mapping.loader import load_spec  # noqa: E402
from canmap.stream.delivery import Delivery  # noqa: E402
from canmap.timing.pace import AHEAD_S, Pace, wait_until_settled  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from canmap.stream.sink import About, Step

CAPTURE, SPEC = ROOT / "captures" / "steering_drop.log", ROOT / "specs" / "orchard_cart" / "cart.yaml"
LAP_S = 12
TEN_MINUTES_S = 600
WAKING_S = 0.00006  # a pause is longer by the 50 us of Linux's timer slack (prctl(2), from memory) and some
LISTENED = {"/twist": "geometry_msgs/msg/TwistWithCovarianceStamped", "/odom": "nav_msgs/msg/Odometry"}


class ProcessorClock:
    """Time as it would pass if nobody else used the machine."""

    def __init__(self) -> None:
        self._paused_s = 0.0

    def now(self) -> float:
        """Return seconds since any moment."""
        return time.thread_time() + self._paused_s

    def pause(self, span_s: float) -> None:
        """Go on by a pause without waiting."""
        self._paused_s += span_s + WAKING_S


class NotedPace(Pace):
    """A pace that keeps how late each thing was done."""

    def __init__(self, *, processor: bool) -> None:
        clock = ProcessorClock()
        super().__init__(1.0, *((clock.now, clock.pause) if processor else ()), ahead_s=AHEAD_S)
        self.noted: list[tuple[int, float]] = []

    def _do(self, clock_ns: int, action: Callable[[], None]) -> None:
        self.noted.append((clock_ns, self.late_s(clock_ns)))
        super()._do(clock_ns, action)


class RecordSink:
    """Does nothing with each record, when it is due."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace

    def open(self, about: About) -> None:
        """Begin."""

    def write(self, step: Step) -> None:
        """Have each record done."""
        for clock_ns in sorted(at for chunk in step.records for at in chunk.clock_ns.tolist()):
            self._pace.at(clock_ns, lambda: None)

    def close(self, *, whole: bool) -> None:
        """Wait for the last."""
        self._pace.run_out()


def laps(seconds: float) -> str:
    """Return the capture over and over."""
    lines = CAPTURE.read_text(encoding="ascii").splitlines(keepends=True)
    count = int(seconds // LAP_S) + 1
    return "".join(f"({int(line[1:11]) + lap * LAP_S}{line[11:]}" for lap in range(count) for line in lines)


def drift_ms(at_s: NDArray[np.float64], late_s: NDArray[np.float64]) -> float:
    """Return by how much the quickest come later after ten minutes, in ms."""
    parts = np.array_split(np.arange(len(at_s)), 100)
    quickest = [np.median(np.sort(late_s[part])[:20]) for part in parts]
    slope, _ = np.polyfit([at_s[part].mean() for part in parts], quickest, 1)
    return float(slope * TEN_MINUTES_S * 1e3)


def told(what: str, at_s: NDArray[np.float64], late_s: NDArray[np.float64]) -> str:
    """Return a row of the table."""
    p50, p99, p999, worst = (float(np.quantile(late_s, share)) * 1e3 for share in (0.5, 0.99, 0.999, 1.0))
    cells = [f"{value:.2f}" for value in (p50, p99, p999, worst, drift_ms(at_s, late_s))]
    return f"| {what} | {len(at_s):,} | {' | '.join(cells)} |"


def replayed(capture: Path, seconds: float, *, topics: bool, processor: bool) -> NotedPace:
    """Replay at the recorded pace, and return what the pace noted."""
    pace, spec = NotedPace(processor=processor), load_spec(str(SPEC))
    intake = Intake(open_captures([str(capture)]), Window(0.0, seconds))
    if not topics:
        inspect_intake(intake, spec, delivery=Delivery((RecordSink(pace),)), pace=pace)
        return pace
    from canmap.outputs.node.rosnode import RosNode
    from canmap.outputs.node.topic_sink import TopicSink
    from canmap.topics.topic_table import topic_table

    table = topic_table(spec, clock=True)
    with RosNode(table) as node:
        wait_until_settled(node.readers, 20.0)
        sink = TopicSink(node, table, pace=pace)
        inspect_intake(intake, spec, delivery=Delivery((sink,)), pace=pace)
    return pace


def measured(capture: Path, options: argparse.Namespace) -> list[Any]:
    """Return what was noted, the share of a core, and the system's clock less the schedule's, in s."""
    began, began_cpu = time.monotonic(), time.process_time()
    pace = replayed(capture, options.seconds, topics=options.topics, processor=options.processor)
    share = (time.process_time() - began_cpu) / (time.monotonic() - began)
    start_ns = pace.session.start_ns or 0
    due_at_s = pace.due_at_ns(np.array([start_ns]))[0] / 1e9 - start_ns / 1e9
    return [pace.noted, share, due_at_s]


def with_listener(capture: Path, options: argparse.Namespace, folder: Path) -> tuple[list[Any], Any]:
    """Run the same in the environment of a ROS 2, with a listener beside it."""
    import sysconfig

    from tests.ros2.peer import Ros2, python_of_ros2

    python = python_of_ros2()
    if python is None:
        raise SystemExit("CANMAP_ROS2 does not name an environment with a ROS 2")
    ros2 = Ros2(python, os.getpid() % 100, folder)
    wanted = [{"name": name, "type": kind} for name, kind in LISTENED.items()]
    with ros2.listening(*wanted) as listener:
        done = subprocess.run(
            [python, "-m", "tests.bench.pace", *sys.argv[1:], "--inner", str(capture)],
            cwd=ROOT, env=ros2.variables(CANMAP_BENCH_PACKAGES=sysconfig.get_paths()["purelib"]),
            stdout=subprocess.PIPE, check=True,
        )  # fmt: skip
    return json.loads(done.stdout), listener.result


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--topics", action="store_true")
    parser.add_argument("--processor", action="store_true", help="count processor time")
    parser.add_argument("--inner", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inner is not None:
        print(json.dumps(measured(options.inner, options)))
        return
    with tempfile.TemporaryDirectory(prefix="canmap-bench-") as name:
        capture = Path(name) / "laps.log"
        capture.write_text(laps(options.seconds), encoding="ascii")
        result = None
        if options.topics:
            (noted, share, offset_s), result = with_listener(capture, options, Path(name))
        else:
            noted, share, offset_s = measured(capture, options)
    print("| lateness | messages | p50 ms | p99 ms | p99.9 ms | worst ms | drift, ms in 10 min |")
    print("|---|---|---|---|---|---|---|")
    clock_s, late_s = np.array(noted).T / [[1e9], [1.0]]
    print(told("handed on", clock_s, late_s))
    for topic, got in (result["got"] if result and not options.processor else {}).items():
        stamps_s = np.array([int.from_bytes(bytes.fromhex(data[8:16]), "little") for data, *_ in got], float)
        stamps_s += [int.from_bytes(bytes.fromhex(data[16:24]), "little") / 1e9 for data, *_ in got]
        received_s = np.array([at_ns for *_, at_ns in got]) / 1e9
        print(told(f"received on {topic}", stamps_s, received_s - stamps_s - offset_s))
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"\n{share:.0%} of a core; load of the machine ({os.cpu_count()} cores) over 1, 5, 15 min: {load}")


if __name__ == "__main__":
    main()
