"""The unit table against pint, for every spelling that pint reads as the trade does.

pint follows physics where the trade has its own habit; those spellings are listed with the reason.
"""

from __future__ import annotations

import pytest

from canmap.vocabulary.units import UNITS

pint = pytest.importorskip("pint")

# canmap's spelling -> how pint writes the same unit.
SAME = {
    "1": "dimensionless",
    "pct": "percent",
    "‰": "permille",
    "µs": "us",
    "μs": "us",
    "sec": "s",
    "mps": "m/s",
    "m/sec": "m/s",
    "kmh": "km/h",
    "m/s²": "m/s**2",
    "m/s2": "m/s**2",
    "m/s³": "m/s**3",
    "m/s3": "m/s**3",
    "g0": "standard_gravity",
    "gn": "standard_gravity",
    "°": "degree",
    "rad/sec": "rad/s",
    "deg/sec": "deg/s",
    "°/s": "deg/s",
    "°/sec": "deg/s",
    "dps": "deg/s",
    "RPM": "rpm",
    "rev": "revolution",
    "rev/min": "revolution/min",
    "rev/s": "revolution/s",
    "rad/s²": "rad/s**2",
    "rad/s2": "rad/s**2",
    "deg/s²": "deg/s**2",
    "deg/s2": "deg/s**2",
    "°/s^2": "deg/s**2",
    "°/s²": "deg/s**2",
    "m-1": "1/m",
    "N.m": "N*m",
    "lbf ft": "lbf*ft",
    "Ω": "ohm",
    "\u2126": "ohm",
    "mOhm": "milliohm",
    "kOhm": "kiloohm",
    "Ohm": "ohm",
    "m³": "m**3",
    "Mbps": "Mbit/s",
    "kbps": "kbit/s",
    "deg C": "degC",
    "Celsius": "degC",
    "℃": "degC",
    "deg F": "degF",
    "Kelvin": "kelvin",
}
# Spellings that pint reads otherwise, and what canmap means by them.
OTHERWISE = {
    "Nm": ("N*m", "pint reads nautical miles or nothing"),
    "mNm": ("mN*m", "as Nm"),
    "kNm": ("kN*m", "as Nm"),
    "g": ("standard_gravity", "pint reads grams; in a vehicle's description g is an acceleration"),
    "1/min": ("rpm", "pint reads a frequency; on a motor it is revolutions per minute"),
    "min^-1": ("rpm", "as 1/min"),
    "min-1": ("rpm", "as 1/min"),
    "U/min": ("rpm", "revolutions per minute on German motors; pint reads an enzyme unit"),
    "As": ("A*s", "pint reads attoseconds"),
    "1/s": ("Hz", "the same"),
}


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


@pytest.mark.parametrize("name", sorted(UNITS))
def test_unit_is_pints(name, registry):
    written = OTHERWISE[name][0] if name in OTHERWISE else SAME.get(name, name)
    unit = UNITS[name]
    for value in (0.0, 1.0, -7.25):
        theirs = registry.Quantity(value, written).to_base_units()
        ours = float(value * unit.factor + unit.offset)
        assert ours == pytest.approx(theirs.magnitude, rel=1e-12, abs=1e-12)
    # pint has no dimension for angles and counts bits as plain numbers
    powers = {
        "[length]": unit.dimension[0],
        "[mass]": unit.dimension[1],
        "[time]": unit.dimension[2],
        "[current]": unit.dimension[3],
        "[temperature]": unit.dimension[4],
    }
    assert {key: power for key, power in powers.items() if power} == dict(theirs.dimensionality)


@pytest.mark.parametrize("name", ["g", "As", "U/min"])
def test_pint_does_read_it_otherwise(name, registry):
    written, _ = OTHERWISE[name]
    try:
        theirs = registry.Quantity(1.0, name)
    except pint.UndefinedUnitError:
        return
    assert theirs.dimensionality != registry.Quantity(1.0, written).dimensionality
