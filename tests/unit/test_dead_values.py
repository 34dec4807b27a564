"""Values that are none, at their limit, or at the edge of what 64 bits hold."""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canmap
from canmap.findings.finding import Severity
from tests.kits import of_kind, row, serious, spec_of, told
from tests.streams import CART, MS, ROOT, frames, inspected

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection

TYPE = "record_types: {X: {fields: {y: {unit: m}}}}\nrecords: {r: {type: X, stamp: Tick, y: %s}}\n"


def kit(folder: Path, signals: Iterable[str], field: str, end: str = "", kind: str = "") -> Spec:
    message = "BO_ 256 Tick: 8 Node\n" + "".join(f" SG_ {signal} Other\n" for signal in signals)
    text = TYPE % field
    return spec_of(folder, message, text.replace("{unit: m}", kind) if kind else text, end=end)


def ran(spec: Spec, payloads: Iterable[bytes]) -> Inspection:
    rows = [row(10 * i, data=data) for i, data in enumerate(payloads)]
    return inspected([frames(rows)], spec, ["r"])[0]


def pair(a: int, b: int) -> bytes:
    return bytes([a, b]).ljust(8, b"\0")


def test_no_data_in_any_part_of_a_sum_is_no_data(tmp_path: Path) -> None:
    signals = ['A : 0|8@1+ (1,0) [0|0] "m"', 'B : 8|8@1+ (1,0) [0|0] "m"']
    spec = kit(tmp_path, signals, "{sum: [Tick.A, Tick.B], no_data: 255}")
    result = ran(spec, [pair(1, 2), pair(1, 255), pair(255, 2), pair(3, 4)])
    assert [one.y for one in result.records["r"]] == [3, None, None, 7]
    assert [(f.kind, f.place.signal, f.count) for f in serious(result)] == [
        ("not_available", "B", 1),
        ("not_available", "A", 1),
    ]


FLOAT = ['V : 0|64@1- (1,0) [-5|5] "m"']
IS_DOUBLE = "SIG_VALTYPE_ 256 V : 2;\n"


@pytest.mark.parametrize("field", ["Tick.V", "{signal: Tick.V, range: none}"])
@pytest.mark.parametrize(
    ("number", "what"), [(math.nan, "not a number"), (math.inf, "infinite"), (-math.inf, "infinite")]
)
def test_what_is_no_number_is_found_and_masked(tmp_path: Path, field: str, number: float, what: str) -> None:
    result = ran(kit(tmp_path, FLOAT, field, IS_DOUBLE), [struct.pack("<d", v) for v in (1.0, number, 2.0)])
    assert [one.y for one in result.records["r"]] == [1.0, None, 2.0]
    (finding,) = serious(result)
    assert (finding.kind, finding.severity, finding.count) == ("not_a_number", Severity.ERROR, 1)
    assert finding.text == f"Tick.V (r.y) was {what}."


@pytest.mark.parametrize(
    ("numbers", "end"),
    [((math.inf, math.inf), " from the start."), ((math.inf, 1.0), "."), ((1.0, math.inf), ".")],
)
def test_from_the_start_is_said_of_no_number_only_where_none_came(
    tmp_path: Path, numbers: tuple[float, ...], end: str
) -> None:
    result = ran(kit(tmp_path, FLOAT, "Tick.V", IS_DOUBLE), [struct.pack("<d", one) for one in numbers])
    assert told(serious(result)) == [f"Tick.V (r.y) was infinite{end}"]


FLOATS = ['V : 0|32@1- (1,0) [0|0] "m"', 'W : 32|32@1- (1,0) [-5|5] "m"']
ARE_FLOATS = "SIG_VALTYPE_ 256 V : 1;\nSIG_VALTYPE_ 256 W : 1;\n"


@pytest.mark.parametrize(
    ("field", "numbers", "name"),
    [
        ("{sum: [Tick.V, Tick.W]}", (1.0, math.nan), "r.y"),  # it has no signal of its own
        ("Tick.V", (1.0, math.nan), "Tick.W"),  # nobody uses it, but its range is described
        ("Tick.W", (1.0, math.nan), "Tick.W (r.y)"),
    ],
)
def test_what_is_no_number_is_called_by_its_signal_and_fields(
    tmp_path: Path, field: str, numbers: tuple[float, float], name: str
) -> None:
    result = ran(kit(tmp_path, FLOATS, field, ARE_FLOATS), [bytes(8), struct.pack("<ff", *numbers), bytes(8)])
    assert told(of_kind(result, "not_a_number")) == [f"{name} was not a number."]


def test_what_is_no_number_in_two_fields_is_found_once(tmp_path: Path) -> None:
    two = "Tick.V}, s: {type: X, stamp: Tick, y: Tick.V"
    result = ran(kit(tmp_path, FLOAT, two, IS_DOUBLE), [struct.pack("<d", v) for v in (1.0, math.nan, 2.0)])
    assert told(serious(result)) == ["Tick.V (r.y, s.y) was not a number."]


def test_a_float_beyond_a_table_is_no_number_either(tmp_path: Path) -> None:
    spec = kit(tmp_path, FLOAT, "{signal: Tick.V, table: [[0 m, 0 m], [1 m, 2 m]]}", IS_DOUBLE)
    result = ran(spec, [struct.pack("<d", math.inf)])
    assert result.records["r"].y.valid.tolist() == [False]
    assert len(of_kind(result, "not_a_number")) == 1


@pytest.mark.parametrize("number", [1.7e308, 1e-12, 5e-324, -0.1])
def test_the_mean_of_one_value_repeated_is_that_value(tmp_path: Path, number: float) -> None:
    result = ran(
        kit(tmp_path, FLOAT, "{signal: Tick.V, range: none}", IS_DOUBLE), [struct.pack("<d", number)] * 5
    )
    span = result.record_summaries["r"].fields["y"]
    assert (span.low, span.mean, span.high) == (number, number, number)


def test_means_of_the_demonstration_lie_between_least_and_largest() -> None:
    result = canmap.inspect(ROOT / "captures" / "steering_drop.log", CART)
    spans = [
        span
        for one in result.record_summaries.values()
        for span in one.fields.values()
        if span.low is not None
    ]
    assert all(span.low <= span.mean <= span.high for span in spans)  # type: ignore[operator]
    assert len(spans) > 10


@pytest.mark.parametrize("policy", ["mask", "clamp", "keep"])
def test_records_and_findings_judge_by_the_same_counts(tmp_path: Path, policy: str) -> None:
    # 12 * 0.1 - 1.2 is 0 exactly, -2.2e-16 in floats.
    exact = kit(
        tmp_path,
        ['V : 0|8@1+ (0.1,-1.2) [0|0] "m"'],
        f"{{signal: Tick.V, range: [0 m, 5 m], out_of_range: {policy}}}",
    )
    result = ran(exact, [bytes([12]).ljust(8, b"\0")])
    assert (result.records["r"].y.valid.tolist(), result.records["r"].y.flagged.tolist()) == ([True], [False])
    assert serious(result) == []
    # One count beyond the limit is 2.5e-10 of it.
    large = kit(
        tmp_path,
        ['V : 0|32@1+ (1,0) [0|0] "m"'],
        f"{{signal: Tick.V, range: [0 m, 4000000000 m], out_of_range: {policy}}}",
    )
    result = ran(large, [struct.pack("<Ixxxx", 4_000_000_001)])
    assert result.records["r"].y.flagged.tolist() == [True]
    assert [one.y for one in result.records["r"]] == [
        {"mask": None, "clamp": 4e9, "keep": 4_000_000_001.0}[policy]
    ]
    assert len(of_kind(result, "out_of_range")) == 1


WIDE = ['V : 0|64@1+ (1,0) [0|0] ""']
TOP = (1 << 64) - 1


def wide(*numbers: int) -> list[bytes]:
    return [struct.pack("<Q", number) for number in numbers]


def test_codes_from_two_to_the_63rd_on(tmp_path: Path) -> None:
    end = f'VAL_ 256 V 0 "a" {1 << 63} "b" {TOP} "c" ;\n'
    states = kit(tmp_path, WIDE, "{signal: Tick.V, no_data: 7}", end, "{states: [a, b, c]}")
    result = ran(states, wide(0, 1 << 63, TOP, 7, TOP - 1))
    assert result.records["r"].y.valid.tolist() == [True, True, True, False, False]
    assert result.records["r"].y.values[:3].tolist() == [0, 1, 2]
    assert f"raw code {TOP - 1}" in of_kind(result, "undefined_value")[0].text
    number = ran(kit(tmp_path, WIDE, "Tick.V", "", "{kind: int}"), wide(TOP, 5))
    assert [one.y for one in number.records["r"]] == [TOP, 5]
    needs = kit(tmp_path, WIDE, f"{{signal: Tick.V, unit: m, valid_when: {{Tick.V: [{TOP}, 5]}}}}")
    assert ran(needs, wide(TOP, 5, 1 << 63)).records["r"].y.valid.tolist() == [True, True, False]


def test_a_kept_record_that_never_came_keeps_its_columns(tmp_path: Path) -> None:
    spec = kit(tmp_path, FLOAT, "Tick.V", IS_DOUBLE)
    empty = inspected([frames([row(0, 0x300)])], spec, ["r"])[0].records["r"]
    assert list(empty.columns) == ["y"]
    assert empty.y.values.dtype == np.float64
    assert empty.to_polars().columns == ["t_s", "stamp_ns", "y"]
    assert "yaw_rate" in inspected([], spec_of_cart(), ["motion"])[0].records["motion"].columns


def test_a_record_that_never_came_has_its_fields_in_the_json(tmp_path: Path) -> None:
    rows = [row(0, 0x300), row(10, 0x300)]
    result, _ = inspected([frames(rows)], kit(tmp_path, FLOAT, "Tick.V", IS_DOUBLE))
    told = result.to_json()["records"]["r"]
    assert told["count"] == 0
    assert told["fields"]["y"] == {
        "unit": "m", "min": None, "max": None, "mean": None, "last": None, "last_age_s": None, "valid": 0
    }  # fmt: skip


def spec_of_cart() -> Spec:
    return canmap.load_spec(str(CART))


def test_a_sentence_says_what_the_bus_says(tmp_path: Path) -> None:
    signals = ['V : 0|16@1- (1,0) [0|0] "mm"']
    result = ran(
        kit(tmp_path, signals, "{signal: Tick.V, sign: -1, range: [-540 mm, 540 mm]}"),
        [struct.pack("<hxxxxxx", 700)],
    )
    assert told(serious(result)) == [
        "r.y was -700 mm (Tick.V 700 mm), below its limit of -540 mm from the start."
    ]
    signals = ['V : 0|16@1- (1,0) [-540|540] "mm"']
    result = ran(kit(tmp_path, signals, "{signal: Tick.V, sign: -1}"), [struct.pack("<hxxxxxx", 700)])
    assert told(serious(result)) == [
        "Tick.V was 700 mm (r.y -700 mm), above its limit of 540 mm from the start."
    ]


def test_a_range_is_judged_where_valid_when_does_not_hold(tmp_path: Path) -> None:
    signals = ['V : 0|8@1+ (1,0) [0|50] "m"', 'Good : 8|1@1+ (1,0) [0|0] ""']
    result = ran(
        kit(tmp_path, signals, "{signal: Tick.V, valid_when: {Tick.Good: yes}}"), [pair(60, 0), pair(60, 1)]
    )
    assert result.records["r"].y.flagged.tolist() == [False, True]
    assert [f.count for f in of_kind(result, "out_of_range")] == [2]


def test_a_sum_has_no_range_of_its_own_but_its_signals_do(tmp_path: Path) -> None:
    signals = ['A : 0|8@1+ (1,0) [0|50] "m"', 'B : 8|8@1+ (1,0) [0|50] "m"']
    result = ran(kit(tmp_path, signals, "{sum: [Tick.A, Tick.B], out_of_range: mask}"), [pair(60, 1)])
    assert [one.y for one in result.records["r"]] == [61]
    assert [f.place.signal for f in of_kind(result, "out_of_range")] == ["A"]


def test_a_newest_frame_too_short_empties_the_field(tmp_path: Path) -> None:
    tock = 'BO_ 256 Tick: 8 Node\n SG_ V : 0|8@1+ (1,0) [0|0] "m" Other\n'
    tock += 'BO_ 512 Tock: 8 Node\n SG_ W : 8|8@1+ (1,0) [0|0] "m" Other\n'
    rows = [row(0, 0x200, pair(1, 2)), row(1), row(2, 0x200, b"\1"), row(3)]
    result = inspected([frames(rows)], spec_of(tmp_path, tock, TYPE % "Tock.W"), ["r"])[0]
    assert [one.y for one in result.records["r"]] == [2, None]
    assert result.records["r"].y.age_ns.tolist() == [MS, MS]
