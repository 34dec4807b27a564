"""Messages of topics for tests: made of a run by the conversion, read by rosbags."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from rosbags.typesys import Stores, get_types_from_msg, get_typestore

from canmap.engine.engine import Engine
from canmap.stream.delivery import Delivery
from canmap.topics.conversion import Conversion
from canmap.topics.standard_types import standard_types
from canmap.topics.topic_table import topic_table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec
    from canmap.stream.sink import About, Step
    from canmap.topics.definitions import MessageType
    from canmap.topics.topic_messages import TopicMessages


class Message(NamedTuple):
    """One message, as a bag would hold it, in the order of a bag."""

    clock_ns: int
    frame: int
    place: int  # of its topic in the table
    topic: str
    type: str
    stamp_ns: int
    data: bytes


class Converted:
    """A sink that keeps the messages of all topics of a table, the clock's too."""

    def __init__(self, spec: Spec) -> None:
        self.table = topic_table(spec, clock=True)
        self.messages: list[Message] = []

    def open(self, about: About) -> None:
        self._conversion = Conversion(self.table, about)

    def write(self, step: Step) -> None:
        self._add(self._conversion.of(step))

    def close(self, *, whole: bool) -> None:
        self._add(self._conversion.rest())

    def _add(self, groups: Iterable[TopicMessages]) -> None:
        places = {topic.name: place for place, topic in enumerate(self.table)}
        step = []
        for group in groups:
            for i in range(len(group)):
                at = slice(group.payloads.start[i], group.payloads.start[i + 1])
                times = int(group.clock_ns[i]), int(group.frame[i])
                name, kind = group.topic.name, group.topic.type.name
                data = group.payloads.data[at].tobytes()
                step.append(Message(*times, places[name], name, kind, int(group.stamp_ns[i]), data))
        self.messages += sorted(step, key=lambda message: message[:3])

    def of(self, topic: str) -> list[Message]:
        """The messages of one topic."""
        return [message for message in self.messages if message.topic == topic]

    def read(self, topic: str) -> list[Any]:
        """The same, read."""
        store = typestore(tuple(one.type for one in self.table))
        return [store.deserialize_cdr(one.data, one.type) for one in self.of(topic)]


@cache
def typestore(types: tuple[MessageType, ...]) -> Any:
    """The types of ROS 2 with those of a table added, as rosbags reads them."""
    store = get_typestore(Stores.ROS2_JAZZY)
    added: dict[str, Any] = {}
    for kind in (*standard_types().values(), *types):
        if kind.name not in store.fielddefs:
            added |= get_types_from_msg(kind.text, kind.name)
    store.register(added)
    return store


def converted(chunks: Iterable[FrameChunk], spec: Spec) -> Converted:
    """The messages of a stream."""
    sink = Converted(spec)
    engine = Engine(spec)
    with Delivery((sink,)).begin(spec, engine.session) as delivering:
        for prepared in engine.prepared(chunks):
            delivering.write(engine.fold(prepared))
        delivering.write(engine.finish())
        delivering.open()
    return sink
