"""Units and quantities as a spec writes them."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from canmap.vocabulary.units import (
    PI,
    UNITS,
    Measure,
    NoQuantity,
    find_unit,
    parse_number,
    parse_quantity,
    si_name,
)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("10 ms", 10, "ms"),
        ("10ms", 10, "ms"),
        ("-540 deg", -540, "deg"),
        ("+2.50 m", Fraction(5, 2), "m"),
        ("500 kbit/s", 500, "kbit/s"),
        ("1e-3 bar", Fraction(1, 1000), "bar"),
        (".5 %", Fraction(1, 2), "%"),
        ("3000 1/min", 3000, "1/min"),
        ("12 lbf  ft", 12, "lbf ft"),
        ("21 °C", 21, "°C"),
        ("7", 7, "1"),
        ("0.1 m", Fraction(1, 10), "m"),  # exact: a float of 0.1 is not
    ],
)
def test_quantity(text, value, unit):
    quantity = parse_quantity(text)
    assert isinstance(quantity, Measure)
    assert (quantity.value, quantity.unit.same_as(UNITS[unit])) == (value, True)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ms",
        "10 MS",
        "1:30",
        "ten ms",
        "10 ms 5",
        "1,5 m",
        "0x10 ms",
        "nan m",
        "inf m",
        "1e999 m",
        "--1 m",
        "1_0 m",
    ],
)
def test_no_quantity(text):
    assert isinstance(parse_quantity(text), NoQuantity)


def test_digits_of_other_scripts_are_no_numbers():
    assert parse_number("٣") is None
    assert isinstance(parse_quantity("٣ ms"), NoQuantity)


@pytest.mark.parametrize(
    ("text", "value"),
    [("0.5", Fraction(1, 2)), ("1/15.4", Fraction(5, 77)), ("-2", Fraction(-2)), ("1e3", 1000)],
)
def test_number(text, value):
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["", "x", "1/0", "1/", "/2", "1/2/3", "5 m"])
def test_no_number(text):
    assert parse_number(text) is None


def test_one_unit_per_another():
    unit = find_unit("bar/V")
    assert unit.factor == 100_000
    assert si_name(unit.dimension) == "m^-3 s^1 A^1"  # Pa/V = (kg m^-1 s^-2) / (kg m^2 s^-3 A^-1), by hand
    assert si_name(find_unit("kV/s").dimension) == "V/s"
    assert find_unit("degC/s") is None  # a scale with another zero has no rate
    assert find_unit("bar/furlong") is None


def test_pi_cancels():
    """A limit in deg on a signal in deg is an exact count: 540 deg / (0.1 deg a count) = 5400."""
    limit = Measure(Fraction(540), UNITS["deg"]).si
    assert limit / (UNITS["deg"].factor * Fraction(1, 10)) == 5400
    assert Fraction(math.pi) == PI
    assert float(UNITS["deg"].factor * 180) == math.pi


def test_the_trades_own_readings():
    assert UNITS["g"].same_as(UNITS["g0"])
    assert UNITS["1/min"].same_as(UNITS["rpm"])
    assert UNITS["deg"].dimension != UNITS["%"].dimension
    assert UNITS["rpm"].dimension != UNITS["Hz"].dimension
