"""Messages in their order and at their moment, through a door that notes what passes instead of a ROS 2."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canmap.api.inspect import inspect_intake
from canmap.engine.intake import Intake
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.outputs.node.stamp_shift import stamp_place
from canmap.outputs.node.topic_sink import TopicSink
from canmap.stream.delivery import Delivery
from canmap.timing.pace import AHEAD_S, SHORTEST_S, TICK_S, Pace
from canmap.topics.conversion import Conversion
from canmap.topics.topic_table import topic_table
from tests.streams import CART, ROOT, spec_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canmap.stream.sink import About, Step
    from canmap.topics.topic import Topic
    from canmap.topics.topic_messages import TopicMessages

DEMO = ROOT / "captures" / "steering_drop.log"
LEFT_OUT = "ackermann/report"
TOPICS = topic_table(spec_of(CART), clock=True)


class Door:
    """In place of a node: notes what is sent when, and which topics' readers are waited for."""

    def __init__(self, now: Callable[[], float] = lambda: 0.0) -> None:
        self.now = now
        self.sent: list[tuple[str, bytes, float]] = []
        self.waited: list[tuple[str, int]] = []
        self.flushed = False

    def publisher(self, topic: Topic) -> Callable[[bytes], None] | None:
        if topic.name == LEFT_OUT:
            return None
        return lambda data: self.sent.append((topic.name, data, self.now()))

    def let_readers_catch_up(self, topic: Topic) -> None:
        self.waited.append((topic.name, len([name for name, *_ in self.sent if name == topic.name])))

    def flush(self) -> None:
        self.flushed = True


class Whole:
    """All messages of a run, sorted as a whole by what the order is promised to be."""

    def __init__(self) -> None:
        self.parts: list[TopicMessages] = []

    def open(self, about: About) -> None:
        self.conversion = Conversion([topic for topic in TOPICS if topic.name != LEFT_OUT], about)

    def write(self, step: Step) -> None:
        self.parts += self.conversion.of(step)

    def close(self, *, whole: bool) -> None:
        if whole:
            self.parts += self.conversion.rest()

    def ordered(self) -> list[tuple[str, bytes]]:
        place = {topic.name: number for number, topic in enumerate(TOPICS)}
        rows = []
        for part in self.parts:
            data, start = part.payloads.data.tobytes(), part.payloads.start
            for row in range(len(part)):
                key = (part.clock_ns[row], part.frame[row], place[part.topic.name])
                rows.append((key, part.topic.name, data[start[row] : start[row + 1]]))
        return [(name, data) for _, name, data in sorted(rows, key=lambda one: one[0])]


def run(sinks: Sequence[Any], span: tuple[float, float], pace: Pace | None = None) -> None:
    intake = Intake(open_captures([str(DEMO)]), Window(*span))
    inspect_intake(intake, spec_of(CART), delivery=Delivery(tuple(sinks)), pace=pace)


class Wall:
    """A clock that sleeping moves, and looking at it a little."""

    def __init__(self) -> None:
        self.now_s = 50.0

    def now(self) -> float:
        self.now_s += 1e-6
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        self.now_s += duration_s


@pytest.mark.parametrize("factor", [None, 1.0, 20.0])
def test_messages_go_out_in_the_order_of_clock_frame_and_table(factor: float | None) -> None:
    wall = Wall()
    door, whole = Door(), Whole()
    pace = None if factor is None else Pace(factor, wall.now, wall.sleep, ahead_s=AHEAD_S)
    sink = TopicSink(door, TOPICS, pace=pace)  # type: ignore[arg-type]
    run([sink, whole], (4.5, 6.0), pace)
    assert [(name, data) for name, data, _ in door.sent] == whole.ordered()
    assert sink.sent == len(door.sent) > 1000
    assert sink.topics == len(TOPICS) - 1
    assert door.flushed
    assert sink.lateness.count == (0 if pace is None else sink.sent)


def test_flat_out_readers_are_waited_for_and_at_the_pace_they_are_not() -> None:
    door = Door()
    run([TopicSink(door, TOPICS)], (5.0, 6.0))  # type: ignore[arg-type]
    counts = [count for name, count in door.waited if name == "wheels"]
    assert counts == list(range(10, counts[-1] + 1, 10))  # after every ten, which is what is kept
    assert len(counts) >= 4
    wall, punctual = Wall(), Door()
    pace = Pace(1.0, wall.now, wall.sleep, ahead_s=AHEAD_S)
    run([TopicSink(punctual, TOPICS, pace=pace)], (5.0, 6.0), pace)  # type: ignore[arg-type]
    assert punctual.waited == []


@pytest.mark.parametrize("factor", [1.0, 3.0])
def test_each_goes_out_when_it_is_due_and_its_stamp_says_so_after_a_pause_too(
    factor: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    wall = Wall()
    monkeypatch.setattr("time.time_ns", lambda: round(wall.now_s * 1e9))
    door = Door(wall.now)
    pace = Pace(factor, wall.now, wall.sleep, lambda: 50.1 <= wall.now_s < 60.1, ahead_s=AHEAD_S)
    sink = TopicSink(door, TOPICS, pace=pace, stamps_now=True)  # type: ignore[arg-type]
    run([sink], (5.5, 6.5), pace)
    places = {topic.name: stamp_place(topic.type) for topic in TOPICS}
    latency_s = {topic.name: topic.latency_ns / 1e9 for topic in TOPICS}
    late = []
    for name, data, at_s in door.sent:
        if (place := places[name]) is not None and not name.startswith("stop"):
            seconds, nanoseconds = np.frombuffer(data[place : place + 8], "<u4").tolist()
            late.append(at_s - (seconds + nanoseconds / 1e9 + latency_s[name]))
    assert len(late) > 500
    # What the clock alone brings is known a tick after its moment at the latest.
    assert min(late) >= -1e-3
    assert max(late) <= TICK_S + SHORTEST_S
    assert sorted(late)[len(late) // 2] < 1e-3
    assert 60.1 < door.sent[-1][2] < 60.1 + 1.0 / factor + 0.1
    assert not [at_s for *_, at_s in door.sent if 50.1 + TICK_S < at_s < 60.1]
    assert sink.lateness.worst_s < TICK_S + SHORTEST_S


def test_a_run_that_fails_sends_no_end(tmp_path: Any) -> None:
    door = Door()
    sink = TopicSink(door, TOPICS)  # type: ignore[arg-type]

    class Failing(Whole):
        def write(self, step: Step) -> None:
            raise OSError("no")

    with pytest.raises(OSError, match="no"):
        run([sink, Failing()], (5.0, 6.0))
    assert not door.flushed
