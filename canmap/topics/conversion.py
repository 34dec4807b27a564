"""Steps to messages of topics: the only place that knows when which message goes out.

Messages are in the order of the session clock, of the frames, and of the table. What the clock alone brings
(the state of the stop chain and diagnostics once a second, the clock itself) stands before the frames of its
moment, a change of the findings behind them, so that the order does not depend on the steps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canmap.records.columns import FieldColumn, RecordChunk
from canmap.records.standing import StandingRecord, rows_of
from canmap.topics.cdr import serialised
from canmap.topics.continuous_pose import ContinuousPose
from canmap.topics.diagnostics import DiagnosticsTopic
from canmap.topics.forms import record_columns
from canmap.topics.moments import BEFORE_FRAMES, Ticks
from canmap.topics.stamps import time_columns
from canmap.topics.standard_types import standard_types
from canmap.topics.topic import MessageForm
from canmap.topics.topic_messages import TopicMessages
from canmap.vocabulary.record_types import Stop

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from canmap.stream.sink import About, Step
    from canmap.topics.topic import Topic

CLOCK_PERIOD_NS = 10_000_000
_JOINED = (MessageForm.ACKERMANN, MessageForm.STOP_ACTIVE)
_IN_ODOMETRY_FRAME = (MessageForm.ODOMETRY, MessageForm.TRANSFORM)


class Conversion:
    """Makes the messages of topics of what a run leads to.

    Args:
        topics: The table.
        about: What is known of the run.
    """

    def __init__(self, topics: Sequence[Topic], about: About) -> None:
        self._spec = about.spec
        self._topics = tuple(topics)
        rules = {rule.name: rule for rule in about.spec.records}
        self._stops = frozenset(name for name, rule in rules.items() if issubclass(rule.type, Stop))
        self._standing = {
            name: StandingRecord(about.spec, rules[name])
            for topic in topics
            for name in topic.records
            if topic.form in _JOINED or name in self._stops
        }
        self._poses = {
            name: ContinuousPose()
            for topic in topics
            for name in topic.records
            if topic.form in _IN_ODOMETRY_FRAME
        }
        self._seconds = Ticks(about.start_ns, 1_000_000_000)
        self._clock = Ticks(about.start_ns, CLOCK_PERIOD_NS)
        self._diagnostics = [
            DiagnosticsTopic(topic, about.spec, about.start_ns)
            for topic in topics
            if topic.form is MessageForm.DIAGNOSTICS
        ]

    def of(self, step: Step) -> Iterator[TopicMessages]:
        """Yield the messages of the next step, topic by topic, those of a topic in order."""
        for messages in self._made(step):
            if messages is not None and len(messages):
                yield messages

    def _made(self, step: Step) -> Iterator[TopicMessages | None]:
        records = {chunk.name: chunk for chunk in step.records}
        for name, standing in self._standing.items():
            standing.begin(records.get(name))
        placed = {name: pose.of(records[name]) for name, pose in self._poses.items() if name in records}
        seconds, clock = self._seconds.until(step.now_ns), self._clock.until(step.now_ns)
        for topic in self._topics:
            sources = placed if topic.form in _IN_ODOMETRY_FRAME else records
            for chunk in self._chunks(topic, sources, seconds):
                yield _messages(topic, chunk, self._spec.geometry)
        for one in self._diagnostics:
            yield one.of(step)
        for topic in self._topics:
            if topic.form is MessageForm.CLOCK:
                yield _clock(topic, clock)

    def rest(self) -> list[TopicMessages]:
        """Return what waited for more of its moment, at the end."""
        made = [one.rest() for one in self._diagnostics]
        return [messages for messages in made if len(messages)]

    def _chunks(
        self, topic: Topic, records: Mapping[str, RecordChunk], seconds: NDArray[np.int64]
    ) -> Iterator[RecordChunk]:
        """Yield the records that a topic is made of: those of the step, then those that the clock brings."""
        if topic.form is MessageForm.STOP_ACTIVE:
            yield from self._stop_chain(topic, records, seconds)
            return
        chunk = records.get(topic.records[0]) if topic.records else None
        if chunk is not None and topic.form is MessageForm.ACKERMANN:
            chunk = self._with_speed(topic, chunk)
        if chunk is not None:
            yield chunk
        if topic.form is MessageForm.OWN and topic.records[0] in self._stops and len(seconds):
            periodic = self._standing[topic.records[0]].before(seconds)
            if periodic is not None:
                come = rows_of(periodic, np.flatnonzero(periodic.frame >= 0))
                yield replace(come, frame=np.full(len(come), BEFORE_FRAMES))

    def _with_speed(self, topic: Topic, chunk: RecordChunk) -> RecordChunk | None:
        """Return steering records with what the drive record says at their frames."""
        drive = self._standing[topic.records[1]].at_frames(chunk.frame, chunk.clock_ns)
        if drive is None:
            return None
        wanted = {name: drive.columns[name] for name in ("speed", "acceleration") if name in drive.columns}
        return replace(chunk, columns={**chunk.columns, **wanted})

    def _stop_chain(
        self, topic: Topic, records: Mapping[str, RecordChunk], seconds: NDArray[np.int64]
    ) -> Iterator[RecordChunk]:
        """Yield what all stop records say together: at each frame that stamps one, and once a second."""
        chunks = [records[name] for name in topic.records if name in records]
        if chunks:
            frame, first = np.unique(np.concatenate([chunk.frame for chunk in chunks]), return_index=True)
            clock_ns = np.concatenate([chunk.clock_ns for chunk in chunks])[first]
            stands = [self._standing[name].at_frames(frame, clock_ns) for name in topic.records]
            stamp_ns = np.concatenate([chunk.stamp_ns for chunk in chunks])[first]
            yield _together(stands, clock_ns, stamp_ns, frame)
        if len(seconds):
            stands = [self._standing[name].before(seconds) for name in topic.records]
            stamp_ns = seconds
            for stand in stands:
                if stand is not None:
                    stamp_ns = np.where(stand.frame >= 0, stand.stamp_ns, stamp_ns)
            yield _together(stands, seconds, stamp_ns, np.full(len(seconds), BEFORE_FRAMES))


def _together(
    stands: Iterable[RecordChunk | None],
    clock_ns: NDArray[np.int64],
    stamp_ns: NDArray[np.int64],
    frame: NDArray[np.int64],
) -> RecordChunk:
    """Return stop records side by side; of one that has not come yet, nothing is known."""
    no, never = np.zeros(len(frame), np.bool_), np.full(len(frame), -1)
    unknown = FieldColumn(np.zeros(len(frame), np.int64), no, never, no)
    columns = {
        f"{number}.{name}": column
        for number, stand in enumerate(stands)
        for name, column in (stand.columns if stand is not None else {"pressed": unknown}).items()
    }
    return RecordChunk("stop", Stop, clock_ns, stamp_ns, frame, columns)


def _messages(topic: Topic, chunk: RecordChunk, geometry: Any) -> TopicMessages | None:
    """Return the messages of some records, without those that cannot be sent."""
    sent, columns = record_columns(topic, chunk, geometry)
    rows = None if sent is None or sent.all() else np.flatnonzero(sent)
    frame, clock_ns, stamp_ns = chunk.frame, chunk.clock_ns, chunk.stamp_ns
    if rows is not None:
        if not len(rows):
            return None
        frame, clock_ns, stamp_ns = frame[rows], clock_ns[rows], stamp_ns[rows]
        columns = {
            name: values[rows] if isinstance(values, np.ndarray) else values
            for name, values in columns.items()
        }
    is_transform = topic.form is MessageForm.TRANSFORM
    if is_transform or any(field.name == "header" for field in topic.type.fields):
        columns |= _header(stamp_ns - topic.latency_ns, topic.frame_id)
    if is_transform:
        columns = {"transforms": [columns]}
    payloads = serialised(topic.type, standard_types(), columns, len(frame))
    return TopicMessages(topic, frame, clock_ns, stamp_ns, payloads)


def _header(stamp_ns: NDArray[np.int64], frame_id: str) -> dict[str, Any]:
    sec, nanosec = time_columns(stamp_ns)
    return {"header.stamp.sec": sec, "header.stamp.nanosec": nanosec, "header.frame_id": frame_id}


def _clock(topic: Topic, moments_ns: NDArray[np.int64]) -> TopicMessages:
    sec, nanosec = time_columns(moments_ns)
    columns = {"clock.sec": sec, "clock.nanosec": nanosec}
    payloads = serialised(topic.type, standard_types(), columns, len(moments_ns))
    frame = np.full(len(moments_ns), BEFORE_FRAMES)
    return TopicMessages(topic, frame, moments_ns, moments_ns, payloads)
