"""Quantities in sentences, as they are written and in SI."""

from __future__ import annotations

import pytest

from canmap.vocabulary.figures import AS_WRITTEN, IN_SI

# In SI by the SI Brochure (9th edition, tables 4 and 8): 1 km/h = 1/3.6 m/s, 1 deg = pi/180 rad,
# 0 degC = 273.15 K, and the percent as a number.
VALUES = [
    (110.0, "%", "110 %", "1.1"),
    (36.0, "km/h", "36 km/h", "10 m/s"),
    (20.0, "degC", "20 degC", "293.15 K"),
    (4.0, "Nm", "4 Nm", "4 N m"),
    (3.0, "", "3", "3"),
    (3.0, "bananas", "3 bananas", "3 bananas"),
]


@pytest.mark.parametrize(("value", "unit", "written", "si"), VALUES)
def test_a_value_is_said_with_its_unit(value: float, unit: str, written: str, si: str) -> None:
    assert (AS_WRITTEN.value(value, unit), IN_SI.value(value, unit)) == (written, si)


def test_a_difference_knows_no_zero_of_a_scale() -> None:
    assert (AS_WRITTEN.difference(5, "degC"), IN_SI.difference(5, "degC")) == ("5 degC", "5 K")


@pytest.mark.parametrize(
    ("value", "unit", "written", "si"),
    [
        (700.0, "deg", "700 deg/s", "12.217 rad/s"),
        (36.0, "km/h", "36 km/h/s", "10 m/s^2"),
        (50.0, "%", "50 %/s", "0.5 1/s"),
        (2.0, "", "2 1/s", "2 1/s"),
    ],
)
def test_a_rate_is_per_second(value: float, unit: str, written: str, si: str) -> None:
    assert (AS_WRITTEN.rate(value, unit), IN_SI.rate(value, unit)) == (written, si)
