"""Frames that a thread hands in while they are used: none waits for later ones, all come, in order."""

from __future__ import annotations

import json
import random
import threading
import time
from typing import TYPE_CHECKING

import pytest

from canmap.api.inspect import inspect_intake
from canmap.base.errors import CaptureError
from canmap.engine.intake import Intake
from canmap.frames.chunks import join
from canmap.frames.live_frames import LiveFrames
from canmap.frames.readers import open_captures
from canmap.frames.window import Window
from canmap.stream.delivery import Delivery
from tests.kits import TICK, row, spec_of
from tests.streams import MS, ROOT, START_NS, frames
from tests.streams import spec_of as cart

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import About, Step

DEMO = str(ROOT / "captures" / "steering_drop.log")
PATIENCE_S = 20  # only a test that fails waits for so long


class Listener:
    """A sink that hands on every step."""

    def __init__(self, listen: Callable[[Step], None]) -> None:
        self.write = listen

    def open(self, about: About) -> None:
        """Begin."""

    def close(self, *, whole: bool) -> None:
        """End."""


def fed(feed: Callable[[LiveFrames[FrameChunk]], None]) -> LiveFrames[FrameChunk]:
    """A live source that a thread feeds and ends."""
    source: LiveFrames[FrameChunk] = LiveFrames(DEMO, join)

    def work() -> None:
        try:
            feed(source)
            source.end()
        except ValueError as error:
            source.end(error)

    threading.Thread(target=work, daemon=True).start()
    return source


def test_a_live_frame_waits_for_none_that_comes_later(tmp_path: Path) -> None:
    """Read ahead like a file, the first frame would wait for the seventh chunk."""
    folded = threading.Semaphore(0)
    in_time: list[bool] = []
    told: list[int] = []

    def feed(source: LiveFrames[FrameChunk]) -> None:
        for i in range(20):
            source.put(frames([row(10 * i)]))
            in_time.append(folded.acquire(timeout=PATIENCE_S if all(in_time) else 0))

    def listen(step: Step) -> None:
        told.append(step.now_ns)
        folded.release()

    inspect_intake(Intake(fed(feed)), spec_of(tmp_path, TICK), delivery=Delivery((Listener(listen),)))
    assert in_time == [True] * 20
    assert told[:20] == [START_NS + 10 * i * MS for i in range(20)]


@pytest.mark.parametrize("span_s", [(0.0, float("inf")), (2.0, 6.5)])
def test_live_frames_give_what_their_capture_gives(span_s: tuple[float, float]) -> None:
    """All of them, in order, in whatever pieces they come, and the part that is wanted."""
    file = open_captures([DEMO])
    whole = join([piece() for piece in file.pieces()])
    file.close()
    chance = random.Random(7)
    pieces = whole.split(sorted(chance.randrange(len(whole)) for _ in range(400)))

    def feed(source: LiveFrames[FrameChunk]) -> None:
        for piece in pieces:
            source.put(piece)
            if chance.random() < 0.2:
                time.sleep(chance.uniform(0, 0.004))

    def told(intake: Intake) -> tuple[Inspection, list[bytes]]:
        result = inspect_intake(intake, cart(), keep=["steering"])
        columns = result.records["steering"].columns.values()
        return result, [part.tobytes() for one in columns for part in (one.valid, one.age_ns, one.flagged)]

    (live, live_bytes), (read, read_bytes) = (
        told(Intake(source, Window.of(span_s))) for source in (fed(feed), open_captures([DEMO]))
    )
    assert json.dumps(live.to_json()) == json.dumps(read.to_json())
    assert live_bytes == read_bytes
    assert live.capture.frames == read.capture.frames > 1000


def test_what_fails_while_frames_come_is_told_after_them(tmp_path: Path) -> None:
    def feed(source: LiveFrames[FrameChunk]) -> None:
        source.put(frames([row(0)]))
        raise ValueError("the bus went away")

    folded: list[int] = []
    with pytest.raises(ValueError, match="the bus went away"):
        inspect_intake(
            Intake(fed(feed)),
            spec_of(tmp_path, TICK),
            delivery=Delivery((Listener(lambda step: folded.append(step.now_ns)),)),
        )
    assert folded == [START_NS]


def test_no_live_frame_at_all_is_told(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="holds no frame"):
        inspect_intake(Intake(fed(lambda _source: None)), spec_of(tmp_path, TICK))
