"""The topics of a vehicle for a program: plain values, as JSON holds them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canmap.topics.full_names import full_names
from canmap.topics.standard_types import standard_types
from canmap.topics.type_hash import type_hash

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canmap.topics.definitions import MessageType
    from canmap.topics.topic import Topic
    from canmap.topics.topic_table import TopicPlan

SCHEMA = "canmap/topics/1"


def known_types(topics: Iterable[Topic]) -> Mapping[str, MessageType]:
    """Return by full name all message types of topics, and all that these are made of."""
    return {**standard_types(), **{topic.type.name: topic.type for topic in topics}}


def plan_json(vehicle: str, plan: TopicPlan, namespace: str = "") -> dict[str, Any]:
    """Return the topics as JSON has them, times in s; null where nothing is promised or there is none.

    Raises:
        ArgumentError: As in `full_names`.
    """
    known = known_types(plan.topics)
    names = full_names(plan.topics, namespace)
    return {
        "schema": SCHEMA,
        "vehicle": vehicle,
        "namespace": namespace,
        "topics": [
            {"name": name, **_topic_json(topic), "type_hash": type_hash(topic.type, known)}
            for name, topic in zip(names, plan.topics, strict=True)
        ],
        "left_out": [
            {"name": one.name, "record": one.record or None, "reason": one.reason} for one in plan.left_out
        ],
    }


def _topic_json(topic: Topic) -> dict[str, Any]:
    qos = topic.qos
    return {
        "type": topic.type.name,
        "form": topic.form.value,
        "records": list(topic.records),
        "qos": {
            "reliability": "reliable" if qos.reliable else "best_effort",
            "durability": "transient_local" if qos.transient_local else "volatile",
            "depth": qos.depth,
            "deadline_s": None if qos.deadline_ns is None else qos.deadline_ns / 1e9,
        },
        "frame_id": topic.frame_id or None,
        "child_frame_id": topic.child_frame_id or None,
        "pose_covariance": list(topic.pose_covariance) or None,
        "twist_covariance": list(topic.twist_covariance) or None,
        "latency_s": topic.latency_ns / 1e9,
    }
