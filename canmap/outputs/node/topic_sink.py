"""What steps lead to, sent on the topics of a node, message by message and in order."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from canmap.outputs.node.stamp_shift import with_stamps_moved
from canmap.timing.pace import Lateness
from canmap.topics.conversion import Conversion

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canmap.outputs.node.rosnode import RosNode
    from canmap.stream.sink import About, Step
    from canmap.timing.pace import Pace
    from canmap.topics.topic import Topic
    from canmap.topics.topic_messages import TopicMessages


BEHIND_S = 0.02  # who is later than that catches up, and sends more at once than was recorded


class TopicSink:
    """Sends messages on the topics of a node; the node is started before, and ended afterwards, by its owner.

    Messages are sent in the order of the session clock, then of their frames, then of the table. Where more
    of them go out at once than a reliable topic keeps, flat out or to catch up, its readers are waited for.

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
        offered = [(topic, send) for topic in topics if (send := node.publisher(topic)) is not None]
        self._offered = [topic for topic, _ in offered]
        self._place = {topic.name: place for place, topic in enumerate(self._offered)}
        self._outlets = {topic.name: _Outlet(topic, send, node) for topic, send in offered}
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
        """Send what waited for its moment or for the end, and let readers have the last messages."""
        if whole and self._conversion is not None:
            self._send(self._conversion.rest())
        if self._pace is not None:
            self._pace.run_out(at_once=not whole)
        if whole:
            self._node.flush()

    def _send(self, messages: Iterable[TopicMessages]) -> None:
        """Send messages in order, those of all topics together, each when it is due."""
        parts, batches = [], []
        for made in messages:
            if len(made) and made.topic.name in self._outlets:
                parts.append(made)
                batches.append(self._batch(made))
            if self._pace is not None:
                self._pace.do_what_is_due()  # it does not wait until the messages of all topics are made
        if not parts:
            return
        of_part = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        places = np.array([self._place[part.topic.name] for part in parts])[of_part]
        frames = np.concatenate([part.frame for part in parts])
        clock_ns = np.concatenate([part.clock_ns for part in parts])
        order = np.lexsort((places, frames, clock_ns))  # stable: of one topic they stay as they are
        for part, at_ns in zip(of_part[order].tolist(), clock_ns[order].tolist(), strict=True):
            if self._pace is None:
                self._send_next(batches[part], None)
            else:
                self._pace.at(at_ns, partial(self._send_next, batches[part], at_ns))

    def _send_next(self, batch: _Batch, at_ns: int | None) -> None:
        late_s = None
        if self._pace is not None and at_ns is not None:
            late_s = self._pace.late_s(at_ns)
            self.lateness.note(late_s)
        batch.outlet.send(batch.next(), in_burst=late_s is None or late_s > BEHIND_S)
        self.sent += 1

    def _batch(self, messages: TopicMessages) -> _Batch:
        outlet = self._outlets[messages.topic.name]
        return _Batch(messages, outlet, self._pace if self._stamps_now else None)


class _Outlet:
    """Where the messages of a topic go out."""

    def __init__(self, topic: Topic, publish: Callable[[bytes], None], node: RosNode) -> None:
        self._topic, self._publish, self._node = topic, publish, node
        self._in_burst = 0

    def send(self, data: bytes, *, in_burst: bool) -> None:
        """Send a message; in a burst, its readers are waited for whenever as many are sent as are kept."""
        self._in_burst = self._in_burst + 1 if in_burst else 0
        if self._in_burst > self._topic.qos.depth and self._topic.qos.reliable:
            self._node.let_readers_catch_up(self._topic)
            self._in_burst = 1
        self._publish(data)


class _Batch:
    """The messages of a topic that a step brought, one by one.

    Args:
        messages: All of them.
        outlet: Where they go.
        stamped_by: By which their stamps are moved to the time of day at which each is due; None: they stay.
    """

    def __init__(self, messages: TopicMessages, outlet: _Outlet, stamped_by: Pace | None) -> None:
        self.outlet = outlet
        self._messages, self._stamped_by = messages, stamped_by
        self._start = messages.payloads.start.tolist()
        self._next = 0
        self._read()

    def _read(self) -> None:
        messages = self._messages
        if self._stamped_by is not None:
            self._paused_ns = self._stamped_by.paused_ns
            messages = with_stamps_moved(
                messages, self._stamped_by.due_at_ns(messages.clock_ns) - messages.stamp_ns
            )
        self._data = messages.payloads.data.tobytes()

    def next(self) -> bytes:
        """Return the bytes of the next one."""
        if self._stamped_by is not None and self._stamped_by.paused_ns != self._paused_ns:
            self._read()  # there was a pause since, and they are due later
        place, self._next = self._next, self._next + 1
        return self._data[self._start[place] : self._start[place + 1]]
