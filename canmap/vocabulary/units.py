"""The trade's units: one table of spellings with exact factors, and quantities such as "10 ms".

In comes text as a spec or a bus description writes it, out come fractions in SI. The angle is a
dimension of its own here (deg is no percentage), and a speed of rotation is not a frequency. Pi is
the rational number that a float holds, ``Fraction(math.pi)``, everywhere: it then cancels exactly, so
that a limit in deg on a signal in deg becomes an exact raw count, and the angle itself is off by less
than a float can show. In the trade's way `g` is the standard gravity and `1/min` a speed of rotation.
Factors: [SI Brochure 9] for all units but mph, ft, in, lbf, psi [NIST SP 811, appendix B].
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from canmap.base.dataclass import dataclass

PI = Fraction(math.pi)
_DIMENSIONS = 7  # m, kg, s, A, K, rad, bit

Dimension = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: SI value = written value * factor + offset.

    Attributes:
        name: As written.
        factor: Exact, with pi as the float's rational number.
        offset: In SI; only for temperatures on a scale with another zero.
        dimension: Exponents of m, kg, s, A, K, rad, bit.
    """

    name: str
    factor: Fraction
    offset: Fraction
    dimension: Dimension

    def of_si(self, value: float) -> float:
        """Return a value in SI in this unit, rounded once."""
        return float((Fraction(value) - self.offset) / self.factor) if math.isfinite(value) else value

    def same_as(self, other: Unit) -> bool:
        """Tell whether `other` is this unit in another spelling."""
        return (self.factor, self.offset, self.dimension) == (other.factor, other.offset, other.dimension)


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its unit.

    Attributes:
        value: As written.
        unit: As written.
    """

    value: Fraction
    unit: Unit

    @property
    def si(self) -> Fraction:
        """The value in SI."""
        return self.value * self.unit.factor + self.unit.offset


def _dimension(**exponents: int) -> Dimension:
    return tuple(exponents.get(base, 0) for base in ("m", "kg", "s", "A", "K", "rad", "bit"))


_NUMBER = _dimension()
_LENGTH = _dimension(m=1)
_TIME = _dimension(s=1)
_SPEED = _dimension(m=1, s=-1)
_ACCELERATION = _dimension(m=1, s=-2)
_ANGLE = _dimension(rad=1)
_ROTATION = _dimension(rad=1, s=-1)
_MASS = _dimension(kg=1)
_FORCE = _dimension(m=1, kg=1, s=-2)
_TORQUE = _dimension(m=2, kg=1, s=-2)  # energy too
_PRESSURE = _dimension(m=-1, kg=1, s=-2)
_POWER = _dimension(m=2, kg=1, s=-3)
_VOLTAGE = _dimension(m=2, kg=1, s=-3, A=-1)

_GRAVITY = Fraction("9.80665")
_POUND = Fraction("0.45359237")
_INCH = Fraction("0.0254")
_FOOT = Fraction("0.3048")
_MILE = Fraction("1609.344")

# Dimension, its SI unit, then spellings by factor.
_TABLE: tuple[tuple[Dimension, str, dict[str, Fraction]], ...] = (
    (
        _NUMBER,
        "1",
        {
            "%": Fraction(1, 100),
            "percent": Fraction(1, 100),
            "pct": Fraction(1, 100),
            "permille": Fraction(1, 1000),
            "‰": Fraction(1, 1000),
            "ppm": Fraction(1, 10**6),
        },
    ),
    (
        _LENGTH,
        "m",
        {
            "mm": Fraction(1, 1000),
            "cm": Fraction(1, 100),
            "km": Fraction(1000),
            "in": _INCH,
            "inch": _INCH,
            "ft": _FOOT,
            "mile": _MILE,
            "mi": _MILE,
        },
    ),
    (
        _TIME,
        "s",
        {
            "sec": Fraction(1),
            "ns": Fraction(1, 10**9),
            "us": Fraction(1, 10**6),
            "\u00b5s": Fraction(1, 10**6),
            "\u03bcs": Fraction(1, 10**6),
            "ms": Fraction(1, 1000),
            "min": Fraction(60),
            "h": Fraction(3600),
        },
    ),
    (
        _SPEED,
        "m/s",
        {
            "mps": Fraction(1),
            "m/sec": Fraction(1),
            "km/h": Fraction(5, 18),
            "kph": Fraction(5, 18),
            "kmh": Fraction(5, 18),
            "mph": _MILE / 3600,
            "ft/s": _FOOT,
            "mm/s": Fraction(1, 1000),
            "cm/s": Fraction(1, 100),
        },
    ),
    (
        _ACCELERATION,
        "m/s^2",
        {
            "m/s²": Fraction(1),
            "m/s2": Fraction(1),
            "m/s/s": Fraction(1),
            "g": _GRAVITY,
            "g0": _GRAVITY,
            "gn": _GRAVITY,
        },
    ),
    (_dimension(m=1, s=-3), "m/s^3", {"m/s³": Fraction(1), "m/s3": Fraction(1)}),
    (
        _ANGLE,
        "rad",
        {
            "mrad": Fraction(1, 1000),
            "deg": PI / 180,
            "degree": PI / 180,
            "degrees": PI / 180,
            "°": PI / 180,
            "rev": 2 * PI,
            "turn": 2 * PI,
        },
    ),
    (
        _ROTATION,
        "rad/s",
        {
            "rad/sec": Fraction(1),
            "mrad/s": Fraction(1, 1000),
            "deg/s": PI / 180,
            "deg/sec": PI / 180,
            "degree/s": PI / 180,
            "degrees/s": PI / 180,
            "°/s": PI / 180,
            "°/sec": PI / 180,
            "dps": PI / 180,
            "rpm": PI / 30,
            "RPM": PI / 30,
            "1/min": PI / 30,
            "min^-1": PI / 30,
            "min-1": PI / 30,
            "U/min": PI / 30,
            "rev/min": PI / 30,
            "rev/s": 2 * PI,
        },
    ),
    (
        _dimension(rad=1, s=-2),
        "rad/s^2",
        {
            "rad/s²": Fraction(1),
            "rad/s2": Fraction(1),
            "deg/s^2": PI / 180,
            "deg/s²": PI / 180,
            "deg/s2": PI / 180,
            "°/s^2": PI / 180,
            "°/s²": PI / 180,
        },
    ),
    (
        _dimension(m=-1),
        "1/m",
        {"m^-1": Fraction(1), "m-1": Fraction(1), "rad/m": Fraction(1), "1/km": Fraction(1, 1000)},
    ),
    (_dimension(s=-1), "Hz", {"1/s": Fraction(1), "kHz": Fraction(1000), "MHz": Fraction(10**6)}),
    (_MASS, "kg", {"t": Fraction(1000), "lb": _POUND}),
    (_FORCE, "N", {"kN": Fraction(1000), "lbf": _POUND * _GRAVITY}),
    (
        _TORQUE,
        "N m",
        {
            "Nm": Fraction(1),
            "N·m": Fraction(1),
            "N*m": Fraction(1),
            "N.m": Fraction(1),
            "mNm": Fraction(1, 1000),
            "kNm": Fraction(1000),
            "lbf ft": _POUND * _GRAVITY * _FOOT,
            "J": Fraction(1),
            "kJ": Fraction(1000),
            "Wh": Fraction(3600),
            "kWh": Fraction(3600000),
        },
    ),
    (
        _PRESSURE,
        "Pa",
        {
            "hPa": Fraction(100),
            "kPa": Fraction(1000),
            "MPa": Fraction(10**6),
            "bar": Fraction(10**5),
            "mbar": Fraction(100),
            "psi": _POUND * _GRAVITY / _INCH**2,
        },
    ),
    (_POWER, "W", {"mW": Fraction(1, 1000), "kW": Fraction(1000)}),
    (_VOLTAGE, "V", {"mV": Fraction(1, 1000), "kV": Fraction(1000)}),
    (_dimension(A=1), "A", {"mA": Fraction(1, 1000)}),
    (_dimension(A=1, s=1), "A s", {"As": Fraction(1), "Ah": Fraction(3600), "mAh": Fraction(18, 5)}),
    (
        _dimension(m=2, kg=1, s=-3, A=-2),
        "Ohm",
        {
            "ohm": Fraction(1),
            "\u03a9": Fraction(1),
            "\u2126": Fraction(1),
            "mOhm": Fraction(1, 1000),
            "kOhm": Fraction(1000),
        },
    ),
    (_dimension(m=3), "m^3", {"m³": Fraction(1), "l": Fraction(1, 1000), "L": Fraction(1, 1000)}),
    (_dimension(m=3, s=-1), "m^3/s", {"l/min": Fraction(1, 60000), "l/h": Fraction(1, 3600000)}),
    (_dimension(bit=1), "bit", {"byte": Fraction(8)}),
    (
        _dimension(bit=1, s=-1),
        "bit/s",
        {
            "kbit/s": Fraction(1000),
            "kbps": Fraction(1000),
            "Mbit/s": Fraction(10**6),
            "Mbps": Fraction(10**6),
        },
    ),
    (_dimension(K=1), "K", {"Kelvin": Fraction(1)}),
)

_ZERO_CELSIUS = Fraction("273.15")
_CELSIUS = ("°C", "degC", "deg C", "℃", "Celsius")
_FAHRENHEIT = ("°F", "degF", "deg F")


def _build() -> dict[str, Unit]:
    units = {}
    for dimension, si_name, spellings in _TABLE:
        for name, factor in {si_name: Fraction(1), **spellings}.items():
            units[name] = Unit(name, factor, Fraction(0), dimension)
    temperature = _dimension(K=1)
    for name in _CELSIUS:
        units[name] = Unit(name, Fraction(1), _ZERO_CELSIUS, temperature)
    for name in _FAHRENHEIT:
        units[name] = Unit(name, Fraction(5, 9), _ZERO_CELSIUS - Fraction(160, 9), temperature)
    return units


UNITS: dict[str, Unit] = _build()
SI_UNITS: dict[Dimension, str] = {dimension: si_name for dimension, si_name, _ in _TABLE}

_QUANTITY = re.compile(
    r"([+-]?(?:(?:0|[1-9]\d{0,39})(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,2})?)(?:(?:\s+(?=1/)|\s*(?![\d:.,/+-]))(\S.*))?",
    re.ASCII,
)


_COMMA = re.compile(r"([+-]?\d{1,40}),(\d{1,40})(?!\d|,)(.*)", re.ASCII | re.DOTALL)
_LEADING_ZEROS = re.compile(r"([+-]?)0+(\d.*)", re.ASCII | re.DOTALL)
_THOUSAND = 3  # digits


def find_unit(text: str) -> Unit | None:
    """Return the unit of that spelling, or None for one that is not known.

    A spelling that the table lacks may be one unit of the table per another, as in ``bar/V``.
    """
    name = " ".join(text.split())
    unit = UNITS.get(name)
    if unit is not None:
        return unit
    above, slash, below = name.partition("/")
    first, second = UNITS.get(above), UNITS.get(below)
    if not slash or first is None or second is None or first.offset or second.offset:
        return None
    exponents = tuple(a - b for a, b in zip(first.dimension, second.dimension, strict=True))
    return Unit(name, first.factor / second.factor, Fraction(0), exponents)


def parse_number(text: str) -> Fraction | None:
    """Return the exact value of a decimal number ("-0.5", "1e-3") or ratio ("1/15.4"), else None."""
    above, slash, below = text.partition("/")
    first, second = _QUANTITY.fullmatch(above.strip()), _QUANTITY.fullmatch(below.strip() if slash else "1")
    if first is None or second is None or first[2] or second[2]:
        return None
    divisor = Fraction(second[1])
    return Fraction(first[1]) / divisor if divisor else None


def number_advice(text: str) -> str | None:
    """Return what to write for a number that reads two ways, without its full stop; None for any other."""
    text = text.strip()
    if comma := _COMMA.fullmatch(text):
        whole, decimals, rest = comma.groups()
        thousands = f" or {whole}{decimals}{rest}" if len(decimals) == _THOUSAND else ""
        return f"a decimal has a point, and thousands have no mark: write {whole}.{decimals}{rest}{thousands}"
    if zeros := _LEADING_ZEROS.fullmatch(text):
        return f"a number that begins with 0 reads two ways: write {zeros[1]}{zeros[2]}"
    return None


@dataclass(frozen=True, slots=True)
class NoQuantity:
    """Why a text states no quantity.

    Attributes:
        unit: What stands for the unit, where that is what is not known; else None.
        advice: What to write for a number that reads two ways; else None.
    """

    unit: str | None = None
    advice: str | None = None

    def __str__(self) -> str:
        """One sentence without its full stop."""
        if self.unit is not None:
            return f"the unit `{' '.join(self.unit.split())[:40]}` is not known"
        return self.advice or "a quantity is a number and its unit, such as 10 ms"


def parse_quantity(text: str) -> Measure | NoQuantity:
    """Return the quantity that a text such as "10 ms" states, or why it states none.

    A bare number is a quantity of unit "1".
    """
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        return NoQuantity(advice=number_advice(text))
    unit = find_unit(match[2] or "1")
    return NoQuantity(match[2]) if unit is None else Measure(Fraction(match[1]), unit)


def per_second(dimension: Dimension) -> Dimension:
    """Return the dimension of how fast a quantity of a dimension changes."""
    return tuple(a - b for a, b in zip(dimension, UNITS["s"].dimension, strict=True))


def si_name(dimension: Dimension) -> str:
    """Return how the SI unit of that dimension is written: by name, a name per second, or base units."""
    if dimension in SI_UNITS:
        return SI_UNITS[dimension]
    bases = ("m", "kg", "s", "A", "K", "rad", "bit")
    of_rate = tuple(power + (base == "s") for base, power in zip(bases, dimension, strict=True))
    if of_rate in SI_UNITS:
        return f"{SI_UNITS[of_rate]}/s"
    return " ".join(f"{base}^{power}" for base, power in zip(bases, dimension, strict=True) if power)
