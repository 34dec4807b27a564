"""What a bag says of its topics before the first message: schemas, channels, and what the whole is of."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from canmap import __version__
from canmap.base.dataclass import dataclass
from canmap.base.extras import mcap
from canmap.topics.full_names import full_names

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canmap.topics.definitions import MessageType
    from canmap.topics.topic import Qos, Topic

METADATA_NAME = "canmap"
# Policies by number, as the middleware interface of ROS 2 numbers them (rmw/types.h; the same numbers stand
# in `rosbags.interfaces`), and its duration without end. Readers of every release take the numbers.
_KEEP_LAST, _AUTOMATIC = 1, 1
_RELIABLE, _BEST_EFFORT = 1, 2
_TRANSIENT_LOCAL, _VOLATILE = 1, 2
_ENDLESS_NS = 9_223_372_036_854_775_807
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class BagOrigin:
    """What a bag is of.

    Attributes:
        spec: Path of the mapping spec, as the user named it.
        vehicle: Name of the vehicle.
        captures: Paths of the captures, of which their names are told; none of what was recorded live.
    """

    spec: str
    vehicle: str
    captures: tuple[str, ...] = ()

    def record(self) -> Any:
        """Return the metadata record that says it; captures are parted by line feeds."""
        said = {
            "spec": self.spec,
            "vehicle": self.vehicle,
            "canmap": __version__,
            "captures": "\n".join(Path(capture).name for capture in self.captures),
        }
        return mcap().records.Metadata(name=METADATA_NAME, metadata=said)


def schemas_and_channels(
    topics: Sequence[Topic], schema_of: Callable[[MessageType], str], namespace: str
) -> tuple[list[Any], list[Any]]:
    """Return the schema records of the types of topics, and the channel records, each by id, from 1.

    Raises:
        ArgumentError: As in `full_names`.
    """
    records = mcap().records
    types = {topic.type.name: topic.type for topic in topics}
    ids = {name: number for number, name in enumerate(types, 1)}
    schemas = [
        records.Schema(id=ids[name], name=name, encoding="ros2msg", data=schema_of(kind).encode())
        for name, kind in types.items()
    ]
    channels = [
        records.Channel(
            id=number,
            schema_id=ids[topic.type.name],
            topic=name,
            message_encoding="cdr",
            metadata={"offered_qos_profiles": qos_text(topic.qos)},
        )
        for number, (topic, name) in enumerate(zip(topics, full_names(topics, namespace), strict=True), 1)
    ]
    return schemas, channels


def qos_text(qos: Qos) -> str:
    """Return what is offered as the YAML that is stored with a topic."""
    return "\n".join(
        [
            f"- history: {_KEEP_LAST}",
            f"  depth: {qos.depth}",
            f"  reliability: {_RELIABLE if qos.reliable else _BEST_EFFORT}",
            f"  durability: {_TRANSIENT_LOCAL if qos.transient_local else _VOLATILE}",
            *_duration("deadline", qos.deadline_ns),
            *_duration("lifespan", None),
            f"  liveliness: {_AUTOMATIC}",
            *_duration("liveliness_lease_duration", None),
            "  avoid_ros_namespace_conventions: false",
        ]
    )


def _duration(name: str, duration_ns: int | None) -> list[str]:
    second, nanosecond = divmod(_ENDLESS_NS if duration_ns is None else duration_ns, _SECOND_NS)
    return [f"  {name}:", f"    sec: {second}", f"    nsec: {nanosecond}"]
