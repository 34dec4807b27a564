"""Sinks: opened once when time 0 is known, given every step, closed once whatever happens."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.api.inspect import inspect, inspect_intake, steps
from canmap.engine.intake import Intake
from canmap.findings.episodes import Closed
from canmap.frames.chunks import BadLine
from canmap.frames.unread import as_unread
from canmap.stream.delivery import Delivery
from tests.kits import TICK, row, spec_of
from tests.streams import CART, MS, ROOT, START_NS, frames

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from canmap.frames.chunks import FrameChunk
    from canmap.frames.source import Piece, Reached
    from canmap.mapping.model import Spec
    from canmap.stream.sink import About, Step

DEMO = ROOT / "captures" / "steering_drop.log"
RECORD = "records:\n  battery: {type: Battery, stamp: Tick, voltage: {signal: Tick.Value, unit: V}}\n"


class Noted:
    """Notes what is asked of it, and fails where it is told to."""

    def __init__(self, fails: str = "", how: type[BaseException] = OSError) -> None:
        self.calls: list[str] = []
        self.about: About | None = None
        self.steps: list[Step] = []
        self._fails, self._how = fails, how

    def _note(self, call: str) -> None:
        self.calls.append(call)
        if self._fails and call.startswith(self._fails):
            raise self._how(f"cannot {call}")

    def open(self, about: About) -> None:
        self.about = about
        self._note("open")

    def write(self, step: Step) -> None:
        self.steps.append(step)
        self._note("write")

    def close(self, *, whole: bool) -> None:
        self._note(f"close {whole}")

    @property
    def frame(self) -> list[str]:
        """What was asked besides writing."""
        return [call for call in self.calls if call != "write"]


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, TICK, RECORD)


def log(tmp_path: Path, text: str) -> str:
    (tmp_path / "a.log").write_text(text, "utf-8")
    return str(tmp_path / "a.log")


def test_a_sink_is_opened_gets_every_record_and_event_and_is_closed() -> None:
    sink = Noted()
    result = inspect(DEMO, CART, keep="steering", sinks=[sink])
    assert sink.frame == ["open", "close True"]
    assert (sink.calls[0], sink.calls[-1]) == ("open", "close True")
    assert sink.about is not None
    assert sink.about.records == tuple(result.record_summaries)
    assert (sink.about.zero_ns, sink.about.start_ns) == (result.capture.zero_ns, result.capture.start_ns)
    came = [chunk.clock_ns for step in sink.steps for chunk in step.records if chunk.name == "steering"]
    assert np.array_equal(np.concatenate(came), result.records["steering"].clock_ns)
    assert sum(step.frames for step in sink.steps) == result.capture.frames
    over = [e.finding.text for step in sink.steps for e in step.events if isinstance(e, Closed)]
    # What is told together at the end was told one by one on the way.
    errors = [part for one in result.findings if one.severity == "error" for part in (one.parts or (one,))]
    assert len(over) == len(errors) == 4
    assert {e.split()[0] for e in over} == {e.text.split()[0] for e in errors}


def test_a_sink_gets_the_records_that_are_wanted_and_is_told_of_no_others() -> None:
    sink = Noted()
    inspect(DEMO, CART, sinks=[sink], records=["drive", "battery"])
    assert sink.about is not None
    assert sorted(sink.about.records) == ["battery", "drive"]
    assert {chunk.name for step in sink.steps for chunk in step.records} == {"battery", "drive"}


def test_of_a_part_the_zero_is_that_of_the_capture() -> None:
    whole, part = Noted(), Noted()
    inspect(DEMO, CART, sinks=[whole])
    inspect(DEMO, CART, sinks=[part], span_s=(5.0, 6.0))
    assert whole.about is not None
    assert part.about is not None
    assert part.about.zero_ns == whole.about.zero_ns == whole.about.start_ns
    assert 5.0 <= (part.about.start_ns - part.about.zero_ns) / 1e9 < 5.1


def test_what_is_told_before_the_first_frame_waits_until_time_0_is_known(spec: Spec) -> None:
    sink = Noted()
    bad = replace(frames([]), bad=(BadLine(0, "a.log", 1, as_unread("it is cut")),), bad_count=1)
    inspect_intake(made(bad, frames([row(5)])), spec, delivery=Delivery((sink,)))
    assert sink.about is not None
    assert sink.about.zero_ns == START_NS + 5 * MS
    assert [event.finding.kind for event in sink.steps[0].events] == ["bad_line"]
    assert sink.frame == ["open", "close True"]


@pytest.mark.parametrize(("text", "bad_lines"), [("\n", 0), ("no frame\nnone either\n", 2)])
def test_a_run_without_a_frame_opens_its_sinks_at_its_end_and_fails(
    tmp_path: Path, spec: Spec, text: str, bad_lines: int
) -> None:
    sinks = [Noted(), Noted()]
    with pytest.raises(canmap.CaptureError, match="holds no frame"):
        inspect(log(tmp_path, text), spec, sinks=sinks)
    for sink in sinks:
        assert sink.frame == ["open", "close False"]
        assert sink.about is not None
        assert sink.about.zero_ns == 0
        assert sum(len(step.events) for step in sink.steps) == bad_lines


def test_a_run_that_fails_before_its_first_frame_opens_no_sink(tmp_path: Path, spec: Spec) -> None:
    sink = Noted()
    with pytest.raises(canmap.CaptureError):
        inspect(tmp_path / "none.log", spec, sinks=[sink])
    with pytest.raises(canmap.UsageError, match="makes no record drive; it makes battery"):
        inspect(DEMO, spec, sinks=[sink], records="drive")
    assert sink.calls == []


class Made:
    """A source of chunks that are made; an exception among them is raised where a chunk would be read."""

    captures = ("made",)

    def __init__(self, parts: tuple[FrameChunk | BaseException, ...], *, live: bool) -> None:
        self._parts = parts
        self.live = live

    def pieces(self) -> Iterator[Piece]:
        for part in self._parts:
            yield lambda part=part: self._read(part)

    @staticmethod
    def _read(part: FrameChunk | BaseException) -> FrameChunk:
        if isinstance(part, BaseException):
            raise part
        return part

    def progress(self) -> Reached:
        return 0, None

    def close(self) -> None: ...


def made(*parts: FrameChunk | BaseException, live: bool = False) -> Intake:
    return Intake(Made(parts, live=live))


@pytest.mark.parametrize(
    ("kind", "live"),  # Ctrl-C does not wait for its turn among pieces that are read ahead
    [(canmap.CaptureError, False), (MemoryError, False), (KeyboardInterrupt, True), (SystemExit, True)],
)
def test_all_sinks_are_closed_when_the_source_raises(
    spec: Spec, kind: type[BaseException], live: bool
) -> None:
    sinks = (Noted(), Noted())
    with pytest.raises(kind, match="torn"):
        inspect_intake(made(frames([row(0)]), kind("torn"), live=live), spec, delivery=Delivery(sinks))
    assert [sink.calls for sink in sinks] == [["open", "write", "close False"]] * 2


@pytest.mark.parametrize("how", [OSError, BrokenPipeError, KeyboardInterrupt, SystemExit])
def test_a_sink_that_cannot_write_leaves_no_other_unclosed(how: type[BaseException]) -> None:
    sinks = [Noted(), Noted("write", how), Noted()]
    with pytest.raises(how, match="cannot write"):
        inspect(DEMO, CART, sinks=sinks)
    assert [sink.frame for sink in sinks] == [["open", "close False"]] * 3
    assert [sink.calls.count("write") for sink in sinks] == [1, 1, 0]


def test_a_sink_that_cannot_be_opened_is_closed_and_those_after_it_are_not_opened() -> None:
    sinks = [Noted(), Noted("open"), Noted()]
    with pytest.raises(OSError, match="cannot open"):
        inspect(DEMO, CART, sinks=sinks)
    assert [sink.calls for sink in sinks] == [["open", "close False"], ["open", "close False"], []]


def test_of_several_failures_the_first_is_raised_and_notes_the_others() -> None:
    sinks = [Noted("close"), Noted("write", BrokenPipeError), Noted("close", KeyboardInterrupt)]
    with pytest.raises(BrokenPipeError, match="cannot write") as raised:
        inspect(DEMO, CART, sinks=sinks)
    assert raised.value.__notes__ == [
        "Another sink could not be closed: cannot close False",
        "Another sink could not be closed: cannot close False",
    ]
    assert [sink.frame for sink in sinks] == [["open", "close False"]] * 3


def test_a_sink_that_cannot_be_closed_fails_a_run_that_was_whole_to_all_of_them() -> None:
    sinks = [Noted("close"), Noted()]
    with pytest.raises(OSError, match="cannot close True"):
        inspect(DEMO, CART, sinks=sinks)
    assert [sink.frame for sink in sinks] == [["open", "close True"]] * 2


def test_steps_are_what_a_sink_gets() -> None:
    sink = Noted()
    inspect(DEMO, CART, sinks=[sink], records="steering")
    looped = list(steps(DEMO, CART, records="steering"))
    assert [(len(step.events), step.now_ns, step.frames) for step in looped] == [
        (len(step.events), step.now_ns, step.frames) for step in sink.steps
    ]
    for one, other in zip(looped, sink.steps, strict=True):
        assert [chunk.name for chunk in one.records] == [chunk.name for chunk in other.records]
        assert [chunk.clock_ns.tolist() for chunk in one.records] == [
            chunk.clock_ns.tolist() for chunk in other.records
        ]


def test_steps_of_a_part_and_of_nothing(tmp_path: Path, spec: Spec) -> None:
    (part,) = [step for step in steps(DEMO, CART, span_s=(5.0, 5.1)) if step.frames]
    assert 0 < part.frames < 200
    with pytest.raises(canmap.CaptureError, match="holds no frame"):
        list(steps(log(tmp_path, "no frame\n"), spec))
    with pytest.raises(canmap.UsageError, match="makes no record nothing"):
        steps(DEMO, CART, records="nothing")  # at once, not in the loop


def test_leaving_the_loop_over_steps_ends_the_reading() -> None:
    before = set(threading.enumerate())
    loop = steps(DEMO, CART)
    assert next(loop).frames > 0
    assert set(threading.enumerate()) > before
    loop.close()
    assert set(threading.enumerate()) == before
