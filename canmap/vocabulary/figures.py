"""How sentences say a quantity: in the unit that spec or description write, or in SI."""

from __future__ import annotations

from collections.abc import Callable

from canmap.base.dataclass import dataclass
from canmap.base.words import number
from canmap.vocabulary.units import UNITS, find_unit, per_second, si_name

_PLAIN = UNITS["1"]


@dataclass(frozen=True, slots=True)
class Figures:
    """Says quantities in one sort of units.

    Attributes:
        si: In SI, not in the unit that is written; a unit that is not known stays.
    """

    si: bool

    def value(self, value: float, unit: str) -> str:
        """Return "110 %", in SI "1.1"."""
        return self._said(value, unit, has_zero=True)

    def difference(self, value: float, unit: str) -> str:
        """Return how far two values are apart: "5 degC", in SI "5 K", whatever the zero of the unit."""
        return self._said(value, unit, has_zero=False)

    def rate(self, value: float, unit: str) -> str:
        """Return how fast a value changes, in its unit per second: "700 deg/s", in SI "12.217 rad/s"."""
        known = find_unit(unit or _PLAIN.name) if self.si else None
        if known is None:
            return f"{number(value)} {unit or _PLAIN.name}/s"
        is_plain = known.dimension == _PLAIN.dimension  # its SI unit is called Hz, but nothing oscillates
        name = f"{_PLAIN.name}/s" if is_plain else si_name(per_second(known.dimension))
        return f"{number(value * float(known.factor))} {name}"

    def _said(self, value: float, unit: str, *, has_zero: bool) -> str:
        known = find_unit(unit) if self.si and unit else None
        if known is None:
            return f"{number(value)} {unit}".rstrip()
        name = si_name(known.dimension)
        in_si = value * float(known.factor) + (float(known.offset) if has_zero else 0.0)
        return number(in_si) + ("" if name == _PLAIN.name else f" {name}")


AS_WRITTEN, IN_SI = Figures(si=False), Figures(si=True)
Sentence = Callable[[Figures], str]  # a sentence, once it is known in which units to say it
