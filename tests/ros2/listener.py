"""A ROS 2 node that subscribes to topics and writes down what it gets; run by the Python of a ROS 2.

python listener.py FILE '[{"name", "type", "reliable", "transient_local", "depth", "deadline_ns"}]' [alone]

It says "ready", listens until its standard input ends, and then writes to FILE what it got: of every topic
the messages as hex, with the time of day of their sending and of their receipt in ns; how the graph described
the publishers and the nodes while they were there; the nodes at the end; how often a deadline was missed.
With "alone" it waits for the other nodes to leave before it ends.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from importlib import import_module
from pathlib import Path
from typing import Any

import rclpy
from rclpy.duration import Duration
from rclpy.event_handler import SubscriptionEventCallbacks
from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy

# A node that could not say that it leaves is forgotten after 20 s, the lease that the middleware gives it.
SEE_OFF_S = 25.0


def class_of(name: str) -> Any:
    package, _, kind = name.split("/")
    return getattr(import_module(f"{package}.msg"), kind)


def profile(wanted: dict[str, Any]) -> QoSProfile:
    durable = wanted.get("transient_local", False)
    deadline_ns = wanted.get("deadline_ns")
    return QoSProfile(
        history=HistoryPolicy.KEEP_LAST,
        depth=wanted.get("depth", 1000),
        reliability=ReliabilityPolicy.RELIABLE
        if wanted.get("reliable", True)
        else ReliabilityPolicy.BEST_EFFORT,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if durable else DurabilityPolicy.VOLATILE,
        deadline=Duration(nanoseconds=deadline_ns) if deadline_ns else Duration(),
    )


def described(info: Any) -> dict[str, Any]:
    qos = info.qos_profile
    return {
        "node": info.node_name, "namespace": info.node_namespace, "type": info.topic_type,
        "reliability": qos.reliability.name, "durability": qos.durability.name,
        "deadline_ns": qos.deadline.nanoseconds,
    }  # fmt: skip


class Listener:
    """What came, and what the graph showed."""

    def __init__(self, topics: list[dict[str, Any]]) -> None:
        rclpy.init()
        self.node = rclpy.create_node("listener")
        self.got: dict[str, list[tuple[str, int, int]]] = {}
        self.missed: dict[str, int] = {}
        self.publishers: dict[str, list[dict[str, Any]]] = {}
        self.nodes: set[str] = set()
        self.nodes_now: set[str] = set()
        self.subscriptions = [self.subscribe(topic) for topic in topics]

    def subscribe(self, topic: dict[str, Any]) -> Any:
        name = topic["name"]
        got = self.got[name] = []
        self.missed[name] = 0

        def take(data: bytes, info: Any) -> None:
            got.append((data.hex(), info["source_timestamp"], time.time_ns()))

        def miss(event: Any) -> None:
            self.missed[name] = event.total_count

        events = SubscriptionEventCallbacks(deadline=miss) if topic.get("deadline_ns") else None
        return self.node.create_subscription(
            class_of(topic["type"]), name, take, profile(topic), event_callbacks=events, raw=True
        )

    def look(self) -> None:
        found = self.node.get_node_names_and_namespaces()
        self.nodes_now = {f"{space.rstrip('/')}/{name}" for name, space in found}
        self.nodes |= self.nodes_now
        for name, _ in self.node.get_topic_names_and_types():
            if infos := self.node.get_publishers_info_by_topic(name):
                self.publishers[name] = [described(info) for info in infos]

    def run(self, ended: threading.Event, until_alone: bool) -> None:
        executor = rclpy.executors.SingleThreadedExecutor()
        executor.add_node(self.node)
        self.node.create_timer(0.1, self.look)
        while not ended.is_set():
            executor.spin_once(timeout_sec=0.05)
        if until_alone:
            self.see_off(executor)

    def see_off(self, executor: Any) -> None:
        """What a node says as it leaves may come later than the end of its process: wait for it, a while."""
        own = self.node.get_fully_qualified_name()
        until = time.monotonic() + SEE_OFF_S
        while self.nodes_now - {own} and time.monotonic() < until:
            executor.spin_once(timeout_sec=0.05)


def main() -> None:
    listener = Listener(json.loads(sys.argv[2]))
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    print("ready", flush=True)
    listener.run(ended, until_alone=sys.argv[3:] == ["alone"])
    names = ("got", "publishers", "missed")
    result = {name: getattr(listener, name) for name in names}
    result |= {"nodes": sorted(listener.nodes), "nodes_at_end": sorted(listener.nodes_now)}
    Path(sys.argv[1]).write_text(json.dumps(result))


main()
