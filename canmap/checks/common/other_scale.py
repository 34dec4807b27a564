"""Whether a value is a usual factor away from what it should be: a wrong factor, or a wrong unit.

That a first description or spec is off by ten, or has km/h for m/s or degrees for radians, is a usual mistake
(common practice); 3.6 and 180 / pi are the ratios of these units.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canmap.vocabulary.units import find_unit, si_name

if TYPE_CHECKING:
    from numpy.typing import NDArray

_KMH, _DEG = 3.6, 180 / math.pi
_FACTOR = "check the `factor` of both"
_UNIT = "check the `unit` of both"
# By the factor: how a sentence says it, and what it may come of.
_ANYWAY = {10.0: ("10", _FACTOR), 0.1: ("0.1", _FACTOR)}
_OF_SPEEDS = {
    _KMH: ("3.6", f"as if it were in km/h and the other in m/s; {_UNIT}"),
    1 / _KMH: ("0.278", f"as if it were in m/s and the other in km/h; {_UNIT}"),
}
_OF_ANGLES = {
    _DEG: ("57.3", f"as if it were in degrees and the other in radians; {_UNIT}"),
    1 / _DEG: ("0.0175", f"as if it were in radians and the other in degrees; {_UNIT}"),
}
_BY_UNIT = {"m/s": _OF_SPEEDS, "rad": _OF_ANGLES, "rad/s": _OF_ANGLES}  # by the one in SI
# Only values far from zero tell, and only where they move: what stands may be off by any factor.
_FAR_TOLERANCES = 2  # from zero, the larger of the two
_LEAST_SAMPLES = 50
_NEARLY_ALL = 0.9
_NEAR = 0.06  # of the factor
_LEAST_MOVED = 2  # times the smallest, the largest of what it should be


class OtherScale:
    """Counts how often one value was near each factor times what it should be.

    Args:
        unit: Its unit, "" for none.
    """

    def __init__(self, unit: str) -> None:
        known = find_unit(unit)
        self._said = _ANYWAY | _BY_UNIT.get("" if known is None else si_name(known.dimension), {})
        self._far = 0
        self._near = dict.fromkeys(self._said, 0)
        self._ends = math.inf, 0.0  # of what it should be, without its sign

    def take(
        self,
        value: NDArray[np.float64],
        should: tuple[NDArray[np.float64], NDArray[np.float64]],
        off: NDArray[np.bool_],
        allowed: NDArray[np.float64],
    ) -> None:
        """Count the next samples.

        Args:
            value: float64[n], what it is.
            should: float64[n] each, the smallest and the largest that it should be.
            off: bool[n], whether it is too far away from that.
            allowed: float64[n], how far it may be.
        """
        sign = np.sign(should[0]) * (np.sign(should[0]) == np.sign(should[1]))
        low, high = np.minimum(*np.abs(should)), np.maximum(*np.abs(should))
        far = (sign != 0) & (np.maximum(low, np.abs(value)) > _FAR_TOLERANCES * allowed)
        self._far += int(far.sum())
        far &= off
        if not far.any():
            return
        size, low, high = (value * sign)[far], low[far], high[far]
        for factor in self._near:
            near = (size >= factor * (1 - _NEAR) * low) & (size <= factor * (1 + _NEAR) * high)
            self._near[factor] += int(near.sum())
        self._ends = min(self._ends[0], float(low.min())), max(self._ends[1], float(low.max()))

    def hint(self, other: str) -> tuple[str, dict[str, str | float]] | None:
        """Return what a finding says of it, and that by name; None where no factor fits.

        Args:
            other: What tells what it should be.
        """
        enough = _NEARLY_ALL * self._far
        if self._far < _LEAST_SAMPLES or self._ends[1] < _LEAST_MOVED * self._ends[0]:
            return None
        fits = [factor for factor, near in self._near.items() if near >= enough]
        if len(fits) != 1:
            return None
        said, of_what = self._said[fits[0]]
        return f"It is about {said} times {other}: {of_what}.", {"wrong": "scale", "times": float(said)}
