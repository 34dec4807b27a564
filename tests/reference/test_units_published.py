"""Unit factors against published figures.

[SI Brochure 9]: BIPM, The International System of Units, 9th edition, 2019, table 8 and section 2.3 (from
memory). [NIST SP 811]: A. Thompson, B. N. Taylor, Guide for the Use of the SI, 2008, appendix B.8 (from
memory): seven printed digits unless printed in bold, which means exact. [CGPM 1901]: standard gravity.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from canmap.vocabulary.units import UNITS, Measure, parse_quantity

EXACT = [
    ("min", "60", "s", "SI Brochure 9, table 8"),
    ("h", "3600", "s", "SI Brochure 9, table 8"),
    ("l", "0.001", "m^3", "SI Brochure 9, table 8"),
    ("t", "1000", "kg", "SI Brochure 9, table 8"),
    ("bar", "100000", "Pa", "NIST SP 811"),
    ("ft", "0.3048", "m", "NIST SP 811"),
    ("in", "0.0254", "m", "NIST SP 811"),
    ("mile", "1609.344", "m", "NIST SP 811"),
    ("mph", "0.44704", "m/s", "NIST SP 811"),
    ("lb", "0.45359237", "kg", "NIST SP 811"),
    ("lbf", "4.4482216152605", "N", "NIST SP 811"),
    ("kWh", "3600000", "J", "NIST SP 811"),
    ("Ah", "3600", "A s", "NIST SP 811"),
    ("g", "9.80665", "m/s^2", "CGPM 1901"),
]
SEVEN_DIGITS = [
    ("km/h", 2.777778e-01, "m/s"),
    ("psi", 6.894757e03, "Pa"),
    ("lbf ft", 1.355818, "N m"),
    ("deg", 1.745329e-02, "rad"),
    ("rpm", 1.047198e-01, "rad/s"),
    ("rev", 6.283185, "rad"),
]
# Ice and steam point of the Celsius scale, and the defining relation of °F [NIST SP 811, B.8].
TEMPERATURES = [
    ("0 degC", "273.15"),
    ("100 °C", "373.15"),
    ("32 degF", "273.15"),
    ("212 °F", "373.15"),
    ("-459.67 degF", "0"),
]


@pytest.mark.parametrize(("name", "factor", "si", "source"), EXACT)
def test_exact_factor(name, factor, si, source):
    assert UNITS[name].factor == Fraction(factor), source
    assert UNITS[name].dimension == UNITS[si].dimension
    assert UNITS[si].factor == 1


@pytest.mark.parametrize(("name", "factor", "si"), SEVEN_DIGITS)
def test_factor_of_seven_printed_digits(name, factor, si):
    assert float(UNITS[name].factor) == pytest.approx(factor, rel=5e-7)
    assert UNITS[name].dimension == UNITS[si].dimension


@pytest.mark.parametrize(("text", "kelvin"), TEMPERATURES)
def test_temperature(text, kelvin):
    quantity = parse_quantity(text)
    assert isinstance(quantity, Measure)
    assert quantity.si == Fraction(kelvin)
