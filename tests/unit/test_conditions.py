"""Conditions at the frames of a message: what is accepted, up to which age, and if the own frame counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canmap.mapping.refs import Requirement, SignalRef
from canmap.timing.conditions import Condition, all_hold
from tests.kits import row, spec_of
from tests.newest import slot, uncut
from tests.streams import MS

if TYPE_CHECKING:
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.signals.plan import DecodePlan
    from canmap.timing.newest import Newest

KIT = """\
BO_ 256 Tick: 8 Node
 SG_ Enable : 0|8@1+ (1,0) [0|0] "" Other
BO_ 512 Mode: 8 Node
 SG_ State : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Count : 8|8@1- (1,0) [0|0] "" Other
BO_ 768 Page: 8 Node
 SG_ Number M : 0|8@1+ (1,0) [0|0] "" Other
 SG_ Cell m1 : 8|8@1+ (1,0) [0|0] "" Other
BO_ 1024 Wide: 8 Node
 SG_ All : 0|64@1+ (1,0) [0|0] "" Other
"""
BUSES = (
    "vehicle: Test cart\nbuses:\n  drive: {description: kit.dbc, channel: can0}\n"
    "  chassis: {description: kit.dbc, channel: can1}\n"
)


@pytest.fixture
def spec(tmp_path: Path) -> Spec:
    return spec_of(tmp_path, KIT)


def need(name: str, *accepts: int | tuple[int, int]) -> Requirement:
    *bus, message, signal = name.split(".")
    ranges = tuple((one, one) if isinstance(one, int) else one for one in accepts)
    return Requirement(SignalRef(bus[0] if bus else "drive", message, signal), ranges)


def tick(t_ms: float, enable: int = 0) -> tuple:
    return row(t_ms, 0x100, bytes([enable, *bytes(7)]))


def mode(t_ms: float, state: int, count: int = 0, channel: str = "can0") -> tuple:
    return row(t_ms, 0x200, bytes([state, count % 256, *bytes(6)]), channel)


def holds(
    spec: Spec,
    rows: list[tuple],
    *needs: Requirement,
    holds_for_ns: int | None = None,
    own_frame_counts: bool = True,
) -> list[bool]:
    """Where the conditions hold at each Tick, whole and cut before every frame, empty chunks included."""

    def ask(newest: Newest, plan: DecodePlan) -> list[bool]:
        conditions = [
            Condition.of(one, plan, holds_for_ns=holds_for_ns, own_frame_counts=own_frame_counts)
            for one in needs
        ]
        moments = newest.of_slot(slot(plan, "Tick"))
        each = [condition.at(newest, moments).tolist() for condition in conditions]
        together: list[bool] = all_hold(conditions, newest, moments).tolist()
        assert together == [all(one) for one in zip(*each, strict=True)] or not each
        return together

    return uncut(spec, rows, ask)


@pytest.mark.parametrize(
    ("holds_for_ns", "told"),
    [
        (None, [True, True, True, True]),
        (100 * MS, [True, True, False, False]),  # 0 ms, 100 ms, 100 ms and 1 ns, 500 ms old
        (100 * MS + 1, [True, True, True, False]),
        (100 * MS - 1, [True, False, False, False]),
        (0, [True, False, False, False]),
    ],
)
def test_it_holds_up_to_its_age_inclusive(spec: Spec, holds_for_ns: int | None, told: list[bool]) -> None:
    rows = [mode(0, 2), tick(0), tick(100), tick(100.000001), tick(500)]
    assert holds(spec, rows, need("Mode.State", 2), holds_for_ns=holds_for_ns) == told


def test_a_fresh_value_that_is_not_accepted_ends_it_at_once(spec: Spec) -> None:
    rows = [mode(0, 2), tick(1), mode(2, 3), tick(3), mode(4, 2), tick(5)]
    assert holds(spec, rows, need("Mode.State", 2)) == [True, False, True]


@pytest.mark.parametrize("holds_for_ns", [None, 15 * MS])
def test_absent_it_does_not_hold_even_where_0_is_accepted(spec: Spec, holds_for_ns: int | None) -> None:
    rows = [tick(0), tick(10), mode(20, 0), tick(20)]
    assert holds(spec, rows, need("Mode.State", (0, 255)), holds_for_ns=holds_for_ns) == [False, False, True]


def test_a_payload_too_short_does_not_hold_until_the_next_whole_one(spec: Spec) -> None:
    # State is in byte 0, Count in byte 1: with one byte only State is told.
    rows = [mode(0, 0), tick(1), row(2, 0x200, bytes(1)), tick(3), tick(4), mode(5, 0), tick(6)]
    assert holds(spec, rows, need("Mode.State", 0)) == [True, True, True, True]
    assert holds(spec, rows, need("Mode.Count", 0)) == [True, False, False, True]


def test_the_own_frame_counts_at_once_or_from_the_next_on(spec: Spec) -> None:
    rows = [tick(0, 0), tick(10, 1), tick(20, 1), tick(30, 0), tick(40, 0)]
    enabled = need("Tick.Enable", 1)
    assert holds(spec, rows, enabled) == [False, True, True, False, False]
    assert holds(spec, rows, enabled, own_frame_counts=False) == [False, False, True, True, False]


@pytest.mark.parametrize(("holds_for_ns", "told"), [(10 * MS, [False, True, False]), (9 * MS, [False] * 3)])
def test_the_frame_before_has_an_age_where_the_own_does_not_count(
    spec: Spec, holds_for_ns: int, told: list[bool]
) -> None:
    # The enabled frame before each: none, 10 ms ago, 11 ms ago.
    rows = [tick(0, 1), tick(10, 1), tick(21, 1)]
    enabled = need("Tick.Enable", 1)
    assert holds(spec, rows, enabled, holds_for_ns=holds_for_ns, own_frame_counts=False) == told
    assert holds(spec, rows, enabled, holds_for_ns=holds_for_ns) == [True] * 3  # its own is 0 ms old


def test_one_of_several_ranges_with_both_of_its_ends(spec: Spec) -> None:
    rows = [frame for count in (-3, -2, 0, 1, 4, 5) for frame in (mode(0, 0, count), tick(0))]
    told = holds(spec, rows, need("Mode.Count", (-2, 0), 4))
    assert told == [False, True, True, False, True, False]


def test_codes_of_64_bits(spec: Spec) -> None:
    # 2**63 has the bit pattern of a negative number; it lies above 2**63 - 1, not below 0.
    codes = (2**63 - 1, 2**63, 2**64 - 1)
    rows = [frame for code in codes for frame in (row(0, 0x400, code.to_bytes(8, "little")), tick(0))]
    assert holds(spec, rows, need("Wide.All", (2**63, 2**64 - 2))) == [False, True, False]


def test_a_multiplexed_signal_goes_by_its_own_page(spec: Spec) -> None:
    def page(t_ms: float, number: int, cell: int) -> tuple:
        return row(t_ms, 0x300, bytes([number, cell, *bytes(6)]))

    # Page 2 says 0 where Cell would be, and leaves it alone; so its age goes on: 10, then 30 ms.
    rows = [
        page(0, 2, 5),
        tick(1),
        page(10, 1, 5),
        tick(20),
        page(30, 2, 0),
        tick(40),
        page(50, 1, 0),
        tick(60),
    ]
    assert holds(spec, rows, need("Page.Cell", 5)) == [False, True, True, False]
    assert holds(spec, rows, need("Page.Cell", 5), holds_for_ns=29 * MS) == [False, True, False, False]


def test_the_same_signal_of_another_channel_is_another(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, KIT, head=BUSES)
    rows = [mode(0, 2, channel="can1"), tick(1), mode(2, 2), tick(3), mode(4, 1, channel="can1"), tick(5)]
    assert holds(spec, rows, need("Mode.State", 2)) == [False, True, True]
    assert holds(spec, rows, need("chassis.Mode.State", 2)) == [True, True, False]


def test_all_have_to_hold_and_none_always_do(spec: Spec) -> None:
    rows = [tick(0, 1), mode(10, 2), tick(20, 0), tick(30, 1), mode(40, 1), tick(50, 1)]
    assert holds(spec, rows, need("Mode.State", 2), need("Tick.Enable", 1)) == [False, False, True, False]
    assert holds(spec, rows) == [True] * 4
