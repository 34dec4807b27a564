"""How people are shown a value: in the unit of the manual, converted exactly, or in SI."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.results.shown import Shown, in_si, shown_fields
from canmap.vocabulary.record_types import FieldType, Gear
from canmap.vocabulary.units import PI, UNITS
from tests.kits import spec_of
from tests.streams import CART
from tests.streams import spec_of as cart

if TYPE_CHECKING:
    from pathlib import Path

QUANTITY = FieldType("it", "1", "of a test", float)
# The factor of each unit against SI is checked in tests/reference against published tables.
SHOWN = [
    (10.0, "km/h", 36.0),  # 10 m/s * 3600 s/h / 1000 m/km
    (math.pi, "deg", 180.0),
    (-math.pi / 2, "deg", -90.0),
    (273.15 + 0.25, "degC", None),  # as exact as the float of it
    (300.0, "°C", 26.85),
    (2815000.0, "bar", 28.15),  # 1 bar = 100000 Pa
    (1.1, "%", None),
    (0.28, "%", 28.0),
]


@pytest.mark.parametrize(("si", "unit", "shown"), SHOWN)
def test_a_value_is_converted_exactly_and_rounded_once(si: float, unit: str, shown: float | None) -> None:
    of = UNITS[unit]
    exact = (Fraction(si) - of.offset) / of.factor
    assert of.of_si(si) == float(exact)
    assert shown is None or of.of_si(si) == pytest.approx(shown, rel=1e-15)


def test_degrees_that_were_stored_as_radians_come_back_as_they_were() -> None:
    for tenths in range(-5400, 5401):
        degrees = Fraction(tenths, 10)
        stored = float(degrees * PI / 180)
        assert Shown(QUANTITY, UNITS["deg"]).text(stored) == f"{float(degrees):g}"


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_what_is_no_number_stays_none(value: float) -> None:
    assert Shown(QUANTITY, UNITS["km/h"]).text(value) == "beyond any number"


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e12, 1e12))
def test_what_is_shown_converts_back_within_its_digits(name: str, si: float) -> None:
    unit = UNITS[name]
    shown = Fraction(Shown(QUANTITY, unit).text(si))
    # Half a unit in the fifth digit of what is shown, which is 5 * 10^-5 of it at most; the rounding to a
    # float before it is 2^-53.
    exact = (Fraction(si) - unit.offset) / unit.factor
    assert abs(shown - exact) <= abs(exact) * (Fraction(5, 10**5) + Fraction(1, 2**52))


@pytest.mark.parametrize(
    ("field", "unit"),
    [
        ("type: Drive, speed: {signal: Tick.Value, unit: km/h}", "km/h"),
        ("type: Drive, speed: {signal: Tick.Value, unit: km/h, range: [0 mph, 9 mph]}", "mph"),
        ("type: Drive, speed: {signal: Tick.Value, unit: km/h, range: [none, 9 mph]}", "mph"),
        ("type: Drive, speed: {signal: Tick.Value, unit: km/h, range: none}", "km/h"),
        ("type: Drive, speed: {signal: Tick.Value, unit: rpm, scale: 0.27 m/rad}", "m/s"),
        ("type: Drive, throttle: {signal: Tick.Value, unit: %}", "%"),
        ("type: Brake, pressure: {signal: Tick.Value, unit: V, scale: 40 bar/V, offset: -20 bar}", "bar"),
        (
            "type: Brake, pressure: {signal: Tick.Value, unit: V, table: [[0 V, 0 bar], [5 V, 200 bar]]}",
            "bar",
        ),
        ("type: Battery, temperature: {signal: Tick.Value, unit: degC, offset: 1 K}", "degC"),
    ],
)
def test_a_field_is_shown_in_the_unit_of_the_manual(field: str, unit: str, tmp_path: Path) -> None:
    tick = 'BO_ 256 Tick: 8 Node\n SG_ Value : 0|16@1+ (1,0) [0|0] "" Other\n'
    text = "records:\n  it: {stamp: Tick, " + field.replace("unit: %", 'unit: "%"') + "}\n"
    spec = spec_of(tmp_path, tick, text)
    name = field.split(", ")[1].partition(":")[0]
    shown = shown_fields(spec)
    assert shown["it"][name].heading == unit
    own = in_si(shown)["it"][name]
    assert own.heading == own.type.unit


def test_what_is_derived_is_shown_like_what_it_comes_from() -> None:
    spec = cart(CART)
    units = {name: shown.heading for name, shown in shown_fields(spec)["motion"].items() if shown.heading}
    assert units == {
        "speed": "km/h", "yaw_rate": "deg/s", "curvature": "1/m", "x": "m", "y": "m", "heading": "deg",
    }  # fmt: skip
    assert [shown.heading for shown in in_si(shown_fields(spec))["motion"].values()][:2] == ["m/s", "rad/s"]


def test_choices_and_plain_numbers_have_no_unit() -> None:
    def shown(kind: type, value: float, unit: str = "1") -> str:
        return Shown(FieldType("it", "", "of a test", kind), UNITS[unit]).with_unit(value)

    assert [shown(Gear, 3), shown(bool, 1), shown(bool, 0), shown(int, 7)] == ["forward", "yes", "no", "7"]
    assert [shown(float, 0.5), shown(float, 0.5, "%")] == ["0.5", "50 %"]


def test_a_code_is_shown_by_the_label_of_the_description_or_as_it_is() -> None:
    """Labels: VAL_ 304 Reason of specs/orchard_cart/kit.dbc."""
    shown = shown_fields(cart(CART))["control"]
    assert [shown["reason"].text(code) for code in (9, 77)] == ["StopLoopOpen", "77"]
    assert shown["mode"].text(2) == "autonomous"  # a state keeps its own name


def test_a_code_that_the_spec_gives_another_number_has_no_label(tmp_path: Path) -> None:
    tick = 'BO_ 256 Tick: 8 Node\n SG_ Value : 0|16@1+ (1,0) [0|0] "" Other\nVAL_ 256 Value 1 "One" ;\n'
    field = "type: Control, reason: {signal: Tick.Value, labels: {One: 7}}"
    shown = shown_fields(spec_of(tmp_path, tick, f"records:\n  it: {{stamp: Tick, {field}}}\n"))
    assert [shown["it"]["reason"].text(code) for code in (1, 7)] == ["1", "7"]
