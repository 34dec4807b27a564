"""State machines, watchdogs and overrides under any cutting: the same findings and events on the way."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.checks.axes.feeding import NEVER_NS, Demand, Feeding
from canmap.checks.axes.override_courses import OverriddenAxis, OverrideSignal
from canmap.checks.axes.watchdogs import WatchdogCheck
from canmap.checks.common.held_signals import HeldSignal, _nothing
from canmap.checks.common.needs import Needs
from canmap.checks.common.state_course import StateCourse, StayAmong
from canmap.checks.states.machine import Enable, Machine
from tests.cutting import moment
from tests.kits import row, spec_of
from tests.streams import frames, inspected

if TYPE_CHECKING:
    from collections.abc import Callable

    from canmap.frames.chunks import FrameChunk
    from canmap.mapping.model import Spec

KIT = """\
BO_ 256 Kit: 8 Node
 SG_ State : 0|4@1+ (1,0) [0|0] "" Other
 SG_ Loop : 8|1@1+ (1,0) [0|0] "" Other
BO_ 512 Command: 8 Other
 SG_ Enable : 0|1@1+ (1,0) [0|0] "" Node
 SG_ Percent : 8|8@1+ (1,0) [0|100] "%" Node
 SG_ Counter : 16|2@1+ (1,0) [0|0] "" Node
"""
END = 'VAL_ 256 State 1 "Standby" 2 "Ready" 3 "Active" 4 "Faulted" ;\n'
TEXT = """\
messages: {Command: {counter: {signal: Counter}}}
state_machines:
  arm:
    signal: Kit.State
    longest: {Standby: 60 ms}
    overridden: Faulted
    transitions:
      - {from: Standby, to: Ready, within: 40 ms, at_least_after: 20 ms}
      - {from: Ready, to: Active, when: {Kit.Loop: yes}, within: 80 ms}
      - {from: Active, to: Ready}
      - {from: any, to: Faulted}
    enable: {signal: Command.Enable, within: 50 ms, low_for: 30 ms, when: {Kit.Loop: yes}}
overrides:
  hand:
    signal: Command.Percent
    threshold: 90 %
    longer_than: 20 ms
    latched: yes
    reset_when: {Kit.Loop: no}
    corroborated_by: {Command.Enable: yes}
demands:
  Command:
    watchdog: 60 ms
    state_machine: arm
    requires: [counter, range]
    tolerates: 1
    asks_when: {Enable: yes}
"""


@cache
def kit(more: str = "") -> Spec:
    """The spec, and what more it says of the demand."""
    with tempfile.TemporaryDirectory() as folder:
        return spec_of(Path(folder), KIT, TEXT + more, periods_ms={0x100: 10, 0x200: 20}, end=END)


@st.composite
def drives(draw: st.DrawFn) -> FrameChunk:
    """States and demands that mostly go on as they are, with frames that are missing, late or repeated."""
    rows, counter, now_ms = [], 0, 0.0
    state, loop, enable, percent = 1, 1, 0, 10
    for _ in range(draw(st.integers(5, 60))):
        now_ms += draw(st.sampled_from([10, 10, 10, 10, 5, 0, 70, 400]))
        if draw(st.integers(0, 3)) == 0:
            state = draw(st.integers(1, 5))
        if draw(st.integers(0, 5)) == 0:
            loop, enable = draw(st.integers(0, 1)), draw(st.integers(0, 1))
            percent = draw(st.sampled_from([10, 100, 120]))
        if draw(st.integers(0, 7)):
            rows.append(row(now_ms, 0x100, bytes([state, loop, *bytes(6)])))
        if draw(st.integers(0, 2)):
            counter += draw(st.sampled_from([1, 1, 1, 0, 2]))
            rows.append(row(now_ms + 3, 0x200, bytes([enable, percent, counter % 4, *bytes(5)])))
    return frames(rows or [row(0)])


def said(chunks: list[FrameChunk]) -> tuple[str, list[tuple[str, ...]]]:
    result, events = inspected(chunks, kit())
    return json.dumps(result.to_json()), sorted(map(moment, events))


def test_the_drives_have_what_is_to_be_found() -> None:
    kinds = set()
    for seed in range(4):
        state = [1, 1, 3, 3, 2, 4, 1][seed:] * 8
        rows = [row(10 * i, 0x100, bytes([one, i % 3 != 0, *bytes(6)])) for i, one in enumerate(state)]
        rows += [row(20 * i + 3, 0x200, bytes([i % 2, 120, i % 4, *bytes(5)])) for i in range(4)]
        kinds |= {finding.kind.value for finding in inspected([frames(sorted(rows))], kit())[0].findings}
    assert {"state", "override"} <= kinds


@given(st.data())
def test_any_cutting_gives_the_same(data: st.DataObject) -> None:
    whole = data.draw(drives())
    points = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=12)))
    assert said(whole.split(points)) == said([whole])
    assert said(whole.split(range(1, len(whole)))) == said([whole])


def long_drive(seed: int, *, often: bool) -> FrameChunk:
    """A drive, in which it is enabled often or not."""
    chance = np.random.default_rng(seed)
    rows, counter, now_ms = [], 0, 0.0
    state, loop, enable, percent = 1, 1, 0, 10
    for _ in range(400):
        now_ms += float(chance.choice([10, 10, 10, 10, 10, 5, 70]))
        if chance.random() < 0.15:
            state = int(chance.choice([1, 2, 3, 3, 3, 4]))
        if chance.random() < 0.1:
            loop = int(chance.integers(0, 2))
            enable = enable if often else int(chance.integers(0, 2))
            percent = int(chance.choice([10, 10, 120]))
        if often and chance.random() < 0.2:
            enable = 1 - enable
        if chance.random() < 0.9:
            rows.append(row(now_ms, 0x100, bytes([state, loop, *bytes(6)])))
        if chance.random() < 0.4:
            counter += int(chance.choice([1, 1, 1, 0]))
            rows.append(row(now_ms + 3, 0x200, bytes([enable, percent, counter % 4, *bytes(5)])))
    return frames(rows)


def forget_since(course: StateCourse) -> None:
    if course.last is not None:
        course.last = course.last._replace(since_ns=course.last.clock_ns)


CARRIES: dict[str, tuple[type, str, Callable[[Any], object]]] = {
    "last state": (StateCourse, "take", lambda course: setattr(course, "last", None)),
    "since when it is": (StateCourse, "take", forget_since),
    "what held before": (Needs, "at", lambda needs: needs._last.clear()),
    "doubts of a machine": (Machine, "fold", lambda machine: setattr(machine, "_doubts", [])),
    "doubts of an enable": (Enable, "fold", lambda enable: setattr(enable, "_doubts", [])),
    "enable that is awaited": (Enable, "fold", lambda enable: setattr(enable, "_awaited", None)),
    "bad demands in a row": (Demand, "take", lambda demand: setattr(demand, "_bad", 0)),
    "last that fed": (Feeding, "take", lambda feeding: setattr(feeding, "_last_ns", NEVER_NS)),
    "whether it is asked": (Feeding, "take", lambda feeding: setattr(feeding, "_asked", False)),
    "active since": (StayAmong, "take", lambda stay: setattr(stay, "since_ns", None)),
    "how it let go": (WatchdogCheck, "finish", lambda check: check._watchdogs[0].left.clear()),
    "whether it was late": (
        WatchdogCheck, "fold", lambda check: setattr(check._watchdogs[0], "was_late", False),
    ),
    "what a signal said": (HeldSignal, "take", lambda held: setattr(held, "_last", _nothing())),
    "when an axis was reset": (OverriddenAxis, "resets", lambda axis: setattr(axis, "_reset_ns", 0)),
    "what bore it out": (OverrideSignal, "take", lambda one: setattr(one, "_borne_ns", 0)),
}  # fmt: skip


class Shown(NamedTuple):
    """A short drive in which a carry matters: its seed and kind, its frames, and the frames of a chunk."""

    seed: int = 11
    often: bool = True
    frames: int = 120
    step: int = 3


SHOWN = {
    "whether it is asked": Shown(seed=1, frames=250),
    "when an axis was reset": Shown(seed=2, frames=515),
    "what held before": Shown(seed=1, often=False),
    "doubts of a machine": Shown(seed=1),
    "doubts of an enable": Shown(seed=1),
    "what a signal said": Shown(seed=2, often=False),
    "what bore it out": Shown(seed=2, often=False),
}


@pytest.mark.parametrize("carry", CARRIES)
def test_every_carry_is_needed(carry: str, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, name, forget = CARRIES[carry]
    method = getattr(owner, name)

    def forgetting(self: object, *arguments: object) -> object:
        forget(self)
        return method(self, *arguments)

    shown = SHOWN.get(carry, Shown())
    whole = long_drive(shown.seed, often=shown.often).split([shown.frames])[0]
    wanted = said([whole])
    chunks = whole.split(range(1, len(whole), shown.step))
    assert said(chunks) == wanted
    monkeypatch.setattr(owner, name, forgetting)
    assert said(chunks) != wanted, f"the {carry} could be forgotten unnoticed"
