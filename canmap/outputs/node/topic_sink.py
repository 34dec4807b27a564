"""What steps lead to, sent on the topics of a node, message by message and in order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canmap.outputs.node.stamp_shift import with_stamps_moved
from canmap.timing.pace import Lateness
from canmap.topics.conversion import Conversion

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canmap.outputs.node.rosnode import RosNode
    from canmap.stream.sink import About, Step
    from canmap.timing.pace import Pace
    from canmap.topics.topic import Topic
    from canmap.topics.topic_messages import TopicMessages


class TopicSink:
    """Sends messages on the topics of a node; the node is started before, and ended afterwards, by its owner.

    Messages are sent in the order of the session clock, then of their frames, then of the table. Where more
    of them come at once than a reliable topic keeps, its readers are waited for, so that a burst loses none.

    Args:
        node: Offers the topics.
        topics: All topics, in the order of the table; those that the node does not offer are passed over.
        pace: By which the steps come; None where they come flat out.
        stamps_now: Whether stamps in the messages are moved to the time of day at which each is due by
            `pace`, as if its frame were received now.
        conversion: Makes what makes the messages of a run.

    Attributes:
        topics: Topics that the node offers.
        sent: Messages that were sent on them.
        lateness: Of each of them against the schedule of `pace`; empty where there is none.
    """

    def __init__(
        self,
        node: RosNode,
        topics: Sequence[Topic],
        *,
        pace: Pace | None = None,
        stamps_now: bool = False,
        conversion: Callable[[Sequence[Topic], About], Conversion] = Conversion,
    ) -> None:
        self._node, self._pace, self._stamps_now = node, pace, stamps_now
        self._offered = [topic for topic in topics if node.publisher(topic) is not None]
        self._place = {topic.name: place for place, topic in enumerate(self._offered)}
        self._begin = conversion
        self._conversion: Conversion | None = None
        self.topics = len(self._offered)
        self.sent = 0
        self.lateness = Lateness()

    def open(self, about: About) -> None:
        """Begin to make messages."""
        self._conversion = self._begin(self._offered, about)

    def write(self, step: Step) -> None:
        """Send the messages of a step."""
        if self._conversion is not None:
            self._send(self._conversion.of(step))

    def close(self, *, whole: bool) -> None:
        """Send what waited for the end, and let readers have the last messages."""
        if whole and self._conversion is not None:
            self._send(self._conversion.rest())
            self._node.flush()

    def _send(self, messages: Sequence[TopicMessages]) -> None:
        """Send messages in order, those of all topics together."""
        parts, outgoing = [], []
        for made in messages:
            send = self._node.publisher(made.topic)
            if send is not None and len(made):
                parts.append(self._restamped(made))
                outgoing.append(_Outgoing(parts[-1], send, self._node))
        if not parts:
            return
        places = np.repeat([self._place[part.topic.name] for part in parts], [len(part) for part in parts])
        of_part = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        frames, clock_ns = (
            np.concatenate([getattr(part, name) for part in parts]) for name in ("frame", "clock_ns")
        )
        order = np.lexsort((places, frames, clock_ns))  # stable: of one topic they stay as they are
        for part, at_ns in zip(of_part[order].tolist(), clock_ns[order].tolist(), strict=True):
            if self._pace is not None:
                self.lateness.note(self._pace.late_s(at_ns))
            outgoing[part].send_next()
        self.sent += len(order)

    def _restamped(self, messages: TopicMessages) -> TopicMessages:
        if self._pace is None or not self._stamps_now:
            return messages
        return with_stamps_moved(messages, self._pace.due_at_ns(messages.clock_ns) - messages.stamp_ns)


class _Outgoing:
    """The messages of a topic that a step brought, one by one."""

    def __init__(self, messages: TopicMessages, send: Callable[[bytes], None], node: RosNode) -> None:
        self._send, self._node, self._topic = send, node, messages.topic
        self._data, self._start = messages.payloads.data.tobytes(), messages.payloads.start.tolist()
        self._next = 0

    def send_next(self) -> None:
        place = self._next
        if place and place % self._topic.qos.depth == 0 and self._topic.qos.reliable:
            self._node.let_readers_catch_up(self._topic)
        self._send(self._data[self._start[place] : self._start[place + 1]])
        self._next += 1
