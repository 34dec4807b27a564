"""Extraction, in small: what a sample is, where it stands, and what happens at the edges."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from canmap.frames.chunks import CLASSIC_WIDTH, FD_WIDTH
from canmap.mapping.description.description import DescribedMessage, DescribedSignal, Description
from canmap.signals.extract import extract, sort_by_slot
from canmap.signals.plan import ColumnKind, DecodePlan
from tests.decoding import by_frame, run


def signal(name: str, start_bit: int, bits: int, **more: Any) -> DescribedSignal:
    settings: dict[str, Any] = {
        "big_endian": False, "signed": False, "is_float": False, "factor": Fraction(1), "offset": Fraction(0),
        "minimum": None, "maximum": None, "unit": "", "labels": {},
    }  # fmt: skip
    return DescribedSignal(name, start_bit, bits, **(settings | more))


def message(name: str, can_id: int, *signals: DescribedSignal, length: int = 8) -> DescribedMessage:
    return DescribedMessage(name, can_id, False, length, None, None, signals)


def plan_of(*messages: DescribedMessage) -> DecodePlan:
    return DecodePlan.build([("drive", Description("kit.dbc", messages))])


PLAN = plan_of(
    message("A", 1, signal("low", 0, 8), signal("high", 7 + 8, 12, big_endian=True, signed=True)),
    message("B", 2, signal("page", 0, 2), signal("one", 8, 8, selector="page", selected_by=((1, 1), (3, 3)))),
)
LOW, HIGH, PAGE, ONE = (
    PLAN.column_of["drive", *name] for name in (("A", "low"), ("A", "high"), ("B", "page"), ("B", "one"))
)


@pytest.mark.parametrize("width", [CLASSIC_WIDTH, FD_WIDTH])
def test_samples_by_hand(width: int) -> None:
    frames = [
        (1, False, bytes.fromhex("FF8010")),  # high: 0x801, negative: 0x801 - 0x1000 = -2047
        (2, False, bytes.fromhex("0377")),
        (9, False, bytes.fromhex("FFFF")),  # nobody describes it
        (1, False, bytes.fromhex("017FF0")),  # high: 0x7FF
        (2, False, bytes.fromhex("0288")),  # page 2: `one` is not there
        (2, False, bytes.fromhex("0199")),
        (1, False, bytes.fromhex("0280")),  # too short for `high`
    ]
    samples = run(PLAN, frames, width)
    assert samples.rows.tolist() == [0, 3, 6, 1, 4, 5]
    assert samples.slot_start.tolist() == [0, 3, 6]
    assert samples.values(LOW).tolist() == [0xFF, 1, 2]
    assert samples.values(HIGH).tolist() == [-2047, 2047, 0]
    assert samples.values(PAGE).tolist() == [3, 2, 1]
    assert samples.values(ONE).tolist() == [0x77, 0x99]
    assert samples.positions(HIGH).tolist() == [0, 3, 6]
    assert samples.positions(ONE).tolist() == [1, 5]
    assert samples.valid is not None
    assert np.flatnonzero(~samples.valid).tolist() == [samples.column_start[HIGH] + 2]
    assert samples.raw.dtype == np.int64


def test_all_valid_is_none() -> None:
    assert run(PLAN, [(1, False, bytes(8)), (2, False, bytes(8))]).valid is None


@pytest.mark.parametrize("frames", [[], [(9, False, b"")]])
@pytest.mark.parametrize("plan", [PLAN, plan_of(), plan_of(message("empty", 9))])
def test_nothing_to_read(plan: DecodePlan, frames: list[tuple[int, bool, bytes]]) -> None:
    samples = run(plan, frames)
    assert len(samples.raw) == 0
    assert samples.column_start.tolist() == [0] * (len(plan.columns) + 1)
    assert [samples.physical(column).tolist() for column in range(len(plan.columns))] == [[]] * len(
        plan.columns
    )


def test_a_single_frame() -> None:
    samples = run(PLAN, [(2, False, bytes.fromhex("0142"))])
    assert (samples.values(ONE).tolist(), samples.values(LOW).tolist()) == ([0x42], [])


def test_a_selector_that_is_cut_off_selects_nothing() -> None:
    plan = plan_of(
        message("M", 1, signal("page", 8, 8), signal("s", 0, 8, selector="page", selected_by=((0, 0),)))
    )
    samples = run(plan, [(1, False, b"\x07"), (1, False, b"\x07\x00")])
    assert samples.positions(plan.column_of["drive", "M", "s"]).tolist() == [1]


@pytest.mark.parametrize(("signed", "code"), [(True, 1), (True, 127), (False, 200), (False, 70_000)])
def test_a_selector_of_either_sign_and_of_any_size_selects(signed: bool, code: int) -> None:
    bits = 8 if code < 256 else 24
    page = signal("Page", 0, bits, signed=signed)
    cell = signal("Cell", 32, 8, selector="Page", selected_by=((code, code),))
    plan = plan_of(message("Book", 5, page, cell))
    chosen, other = (
        code.to_bytes(4, "little"),
        (code ^ 2 ** (bits - 1)).to_bytes(4, "little"),
    )  # the top bit apart
    frames = [(5, False, start + bytes([9, 0, 0, 0])) for start in (chosen, other)]
    first, second = by_frame(plan, run(plan, frames), 2)
    assert first["Cell"] == (9, 9.0)
    assert "Cell" not in second


def test_wide_and_floating_point_columns_hold_their_bit_patterns() -> None:
    plan = plan_of(
        message("W", 1, signal("wide", 0, 64, factor=Fraction(1, 2))),
        message("S", 2, signal("signed", 0, 64, signed=True)),
        message("F", 3, signal("float", 7, 32, big_endian=True, signed=True, is_float=True)),
    )
    samples = run(
        plan, [(1, False, b"\xff" * 8), (2, False, b"\xff" * 8), (3, False, bytes.fromhex("C0200000"))]
    )
    assert [column.kind for column in plan.columns] == [
        ColumnKind.WIDE_UNSIGNED, ColumnKind.INTEGER, ColumnKind.FLOAT
    ]  # fmt: skip
    assert [samples.values(column)[0] for column in range(3)] == [-1, -1, 0xC0200000]
    # 2**64 - 1 rounds to 2**64 as a float; -2.5 is 0xC0200000 (IEEE 754: sign 1, exponent 128, fraction 1/4).
    assert [samples.physical(column)[0] for column in range(3)] == [2.0**63, -1.0, -2.5]


def test_a_signal_that_no_frame_can_hold_is_never_valid() -> None:
    plan = plan_of(message("transport", 1, signal("far", 65 * 8, 8), signal("near", 0, 8), length=100))
    samples = run(plan, [(1, False, b"\x05" * 64)])
    assert samples.valid is not None
    assert (samples.raw.tolist(), samples.valid.tolist()) == ([0, 5], [False, True])


def test_longer_payloads_are_read_as_far_as_they_are_described() -> None:
    assert run(PLAN, [(1, False, b"\x09" + b"\xff" * 40)]).values(LOW).tolist() == [9]


def test_many_frames_keep_their_order() -> None:
    # Enough samples for several tiles, and enough frames for either way of sorting.
    for count in (1000, 50_000, 70_000):
        can_id = np.random.default_rng(count).integers(0, 4, count).astype(np.uint32)
        payload = np.zeros((count, 8), np.uint8)
        payload[:, :3] = (np.arange(count)[:, None] >> np.array([0, 8, 16])) & 0xFF
        plan = plan_of(*(message(f"M{n}", n, signal("n", 0, 24), signal("top", 16, 8)) for n in (0, 1)))
        slot = plan.slots_of(np.zeros(count, np.int8), can_id, np.zeros(count, np.bool_))
        samples = extract(plan, payload, np.full(count, 8, np.uint8), slot)
        for number in (0, 1):
            rows = np.flatnonzero(can_id == number)
            column = plan.column_of["drive", f"M{number}", "n"]
            assert np.array_equal(samples.positions(column), rows)
            assert np.array_equal(samples.values(column), rows)


def test_sorting_is_stable_however_many_frames_and_slots() -> None:
    random = np.random.default_rng(1)
    for frames in (0, 1, 300, 40_000, 70_000):
        for slots in (1, 250, 300, 70_000):
            slot = random.integers(-1, slots, frames)
            rows, bounds = sort_by_slot(slot, slots)
            known = np.flatnonzero(slot >= 0)
            assert np.array_equal(rows, known[np.argsort(slot[known], kind="stable")])
            assert np.array_equal(bounds, np.searchsorted(slot[rows], np.arange(slots + 1)))
