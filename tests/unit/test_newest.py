"""The newest sample of X at the frames of Y, worked by hand; each stream also cut before every frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canmap.timing.newest import NEVER_NS, Moments, Together, ages_ns, latest
from tests.kits import row, spec_of
from tests.newest import asked, column, slot, uncut
from tests.streams import MS, START_NS, frames

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.signals.plan import DecodePlan
    from canmap.timing.newest import Held, Newest

KIT = """\
BO_ 256 Stamp: 8 Node
 SG_ Speed : 0|8@1+ (1,0) [0|0] "km/h" Other
 SG_ Homed : 8|1@1+ (1,0) [0|0] "" Other
BO_ 512 Other: 8 Node
 SG_ Pedal : 0|8@1+ (1,0) [0|0] "%" Other
 SG_ Late : 56|8@1+ (1,0) [0|0] "%" Other
BO_ 768 Page: 8 Node
 SG_ Number M : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Left m0 : 8|8@1+ (1,0) [0|0] "Nm" Other
 SG_ Right m1 : 8|8@1+ (1,0) [0|0] "%" Other
"""
JOINED = """\
records:
  drive: {type: Drive, stamp: Stamp, speed: Stamp.Speed, throttle: Other.Pedal, motor_torque: Page.Left}
"""
BUSES = (
    "vehicle: Test cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
    "  chassis: {description: kit.dbc, channel: can1}\n"
)
NEVER = None


@pytest.fixture(params=["", JOINED], ids=["searched", "joined before"])
def spec(request: pytest.FixtureRequest, tmp_path: Path) -> Spec:
    """Without a record the places are searched for; with one, `prepare` has found them."""
    return spec_of(tmp_path, KIT, request.param)


def stamp(t_ms: float, speed: int = 0, channel: str = "can0") -> tuple:
    return row(t_ms, 0x100, bytes([speed, *bytes(7)]), channel)


def other(t_ms: float, pedal: int, length: int = 8, channel: str = "can0") -> tuple:
    return row(t_ms, 0x200, bytes([pedal, *bytes(6), pedal])[:length], channel)


def page(t_ms: float, number: int, share: int) -> tuple:
    return row(t_ms, 0x300, bytes([number, share, *bytes(6)]))


def as_told(held: Held) -> list[tuple[int | None, float | None]]:
    """Raw value, None where it is not present, and the time it came at in ms, None where it never did."""
    there = np.ones(len(held.raw), np.bool_) if held.present is None else held.present
    return [
        (raw if yes else None, NEVER if at == NEVER_NS else (at - START_NS) / MS)
        for raw, yes, at in zip(held.raw.tolist(), there.tolist(), held.clock_ns.tolist(), strict=True)
    ]


def at_frames(
    spec: Spec, rows: list[tuple], signal: str, message: str, *, own_counts: bool = True
) -> list[tuple[int | None, float | None]]:
    """The newest sample of a signal at each frame of a message, which no cutting changes."""

    def ask(newest: Newest, plan: DecodePlan) -> list[tuple[int | None, float | None]]:
        moments = newest.of_slot(slot(plan, message))
        return as_told(newest.at(column(plan, signal), moments, own_counts=own_counts))

    return uncut(spec, rows, ask)


def test_the_newest_of_another_message_by_arrival(spec: Spec) -> None:
    rows = [stamp(0), other(10, 20), stamp(15), stamp(40), other(40, 30), stamp(40), stamp(41)]
    assert at_frames(spec, rows, "Other.Pedal", "Stamp") == [
        (None, NEVER),  # none has come
        (20, 10.0),
        (20, 10.0),  # of the same stamp, but it came before the new one
        (30, 40.0),
        (30, 40.0),
    ]


def test_the_own_frame_counts_or_the_one_before_it(spec: Spec) -> None:
    rows = [stamp(0, 7), stamp(10, 8), other(15, 1), stamp(20, 9)]
    assert at_frames(spec, rows, "Stamp.Speed", "Stamp") == [(7, 0.0), (8, 10.0), (9, 20.0)]
    before = at_frames(spec, rows, "Stamp.Speed", "Stamp", own_counts=False)
    assert before == [(None, NEVER), (7, 0.0), (8, 10.0)]


def test_of_another_message_the_own_frame_makes_no_difference(spec: Spec) -> None:
    rows = [stamp(0), other(10, 20), stamp(10), other(20, 30), stamp(25)]
    told = [at_frames(spec, rows, "Other.Pedal", "Stamp", own_counts=counts) for counts in (True, False)]
    assert told == [[(None, NEVER), (20, 10.0), (30, 20.0)]] * 2


def test_a_payload_too_short_came_but_holds_nothing(spec: Spec) -> None:
    # Pedal is in byte 0, Late in byte 7: a payload of 4 bytes is the newest of both and holds one of them.
    rows = [other(0, 20), stamp(1), other(10, 30, length=4), stamp(11), stamp(12)]
    assert at_frames(spec, rows, "Other.Pedal", "Stamp") == [(20, 0.0), (30, 10.0), (30, 10.0)]
    assert at_frames(spec, rows, "Other.Late", "Stamp") == [(20, 0.0), (None, 10.0), (None, 10.0)]


def test_a_multiplexed_signal_is_held_over_other_pages(spec: Spec) -> None:
    rows = [page(0, 0, 50), stamp(5), page(10, 1, 7), stamp(15), page(20, 0, 60), page(25, 5, 9), stamp(30)]
    assert at_frames(spec, rows, "Page.Left", "Stamp") == [(50, 0.0), (50, 0.0), (60, 20.0)]
    assert at_frames(spec, rows, "Page.Right", "Stamp") == [(None, NEVER), (7, 10.0), (7, 10.0)]
    # At the frames of its own message: the page that carries it counts, another one holds it.
    assert at_frames(spec, rows, "Page.Left", "Page") == [(50, 0.0), (50, 0.0), (60, 20.0), (60, 20.0)]
    before = at_frames(spec, rows, "Page.Left", "Page", own_counts=False)
    assert before == [(None, NEVER), (50, 0.0), (50, 0.0), (60, 20.0)]


def test_the_same_message_on_another_channel_is_another(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, head=BUSES)
    rows = [other(0, 20), other(5, 90, channel="can1"), stamp(10), stamp(10, channel="can1")]
    assert at_frames(spec, rows, "Other.Pedal", "Stamp") == [(20, 0.0)]
    assert at_frames(spec, rows, "chassis.Other.Pedal", "Stamp") == [(90, 5.0)]
    assert at_frames(spec, rows, "Other.Pedal", "chassis.Stamp") == [(20, 0.0)]


def test_the_clock_is_the_session_clock(spec: Spec) -> None:
    # The stamp steps back by 30 ms, within the 50 ms in which the clock holds: the sample is 0 ms old.
    rows = [other(0, 1), other(100, 20), stamp(70), stamp(110)]
    assert at_frames(spec, rows, "Other.Pedal", "Stamp") == [(20, 100.0), (20, 100.0)]


def test_the_frames_of_several_columns_and_the_moment_after_the_last(spec: Spec) -> None:
    rows = [stamp(0, 1), other(10, 20), page(20, 1, 7), stamp(30, 2), page(40, 0, 50)]

    def ask(newest: Newest, plan: DecodePlan) -> tuple:
        columns = [column(plan, name) for name in ("Page.Left", "Stamp.Speed", "Stamp.Homed")]
        came = newest.of_columns(columns)
        after = Moments(np.array([len(rows)]), np.array([START_NS + 50 * MS]))
        held = [as_told(newest.at(one, after, own_counts=False)) for one in columns]
        return came.rows.tolist(), ((came.clock - START_NS) / MS).tolist(), held, newest.of_columns([])

    ((places, clock, held, nothing),) = asked(spec, [frames(rows)], ask)
    assert (places, clock) == ([0, 3, 4], [0.0, 30.0, 40.0])  # page 1 carries no Left
    assert held == [[(50, 40.0)], [(2, 30.0)], [(0, 30.0)]]
    assert len(nothing.rows) == len(nothing.clock) == 0


def test_whoever_asks_after_the_carry_is_refused(spec: Spec) -> None:
    kept = asked(spec, [frames([stamp(0)])], lambda newest, _: newest)
    with pytest.raises(AttributeError):
        kept[0].of_slot(0)


def test_an_age_counts_from_the_sample_and_is_none_where_it_never_came() -> None:
    told = ages_ns(np.array([10, 10, 10]), np.array([10, 4, NEVER_NS]))
    assert told.tolist() == [0, 6, -1]


def test_where_the_newest_sample_stands(spec: Spec) -> None:
    # Stamps are the frames 0, 2, 3; Pedal comes in frame 1: before it none of the chunk, then sample 0.
    def ask(newest: Newest, plan: DecodePlan) -> list[list[int] | None]:
        groups = [plan.columns[column(plan, name)].group for name in ("Stamp.Speed", "Other.Pedal")]
        found = [latest(newest._prepared.samples, slot(plan, "Stamp"), group) for group in groups]
        return [None if one is None else one.tolist() for one in found]

    (told,) = asked(spec, [frames([stamp(0), other(1, 1), stamp(2), stamp(3)])], ask)
    assert told == [None, [-1, 0, 0]]


@pytest.mark.parametrize("step", [1, 2, 3, 5, 100])
def test_asked_together_or_one_by_one(tmp_path: Path, step: int) -> None:
    """All columns of a record at once: what `at` says of each, with the age that follows from its clock."""
    spec = spec_of(tmp_path, KIT, JOINED)
    rows = [stamp(0, 1), stamp(5, 2), other(10, 20), page(12, 0, 5), stamp(15, 3), other(20, 30, length=0)]
    rows += [page(21, 1, 6), stamp(25, 4), other(30, 40), page(31, 0, 8), stamp(35, 5), stamp(36, 6)]

    def ask(newest: Newest, plan: DecodePlan) -> tuple[list, list]:
        at = slot(plan, "Stamp")
        columns = [column(plan, name) for name in ("Stamp.Speed", "Other.Pedal", "Page.Left", "Stamp.Homed")]
        moments = newest.of_slot(at)
        if not len(moments.rows):
            return [], []
        held = newest.together(Together(plan, [(at, one) for one in columns]), np.arange(len(columns)))
        assert held.bounds.tolist() == [len(moments.rows) * i for i in range(len(columns) + 1)]
        assert held.of.tolist() == [i for i in range(len(columns)) for _ in moments.rows]
        there, ages = held.present, held.age_ns
        singly = [newest.at(one, moments) for one in columns]
        return (
            [(raw if yes else None, age) for raw, yes, age in zip(held.raw, there, ages, strict=True)],
            [
                (raw, int(age))
                for one in singly
                for (raw, _), age in zip(as_told(one), ages_ns(moments.clock, one.clock_ns), strict=True)
            ],
        )

    whole = frames(rows)
    for together, singly in asked(spec, whole.split(range(step, len(whole), step)), ask):
        assert together == singly
