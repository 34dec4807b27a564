"""2. Physical limits to raw counts, exactly: what a signal may hold, in the integers that it holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fractions import Fraction


def raw_span(bits: int, signed: bool) -> tuple[int, int]:
    """Return the smallest and the largest raw count that a signal of so many bits can hold."""
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)


def raw_limits(
    low: Fraction | None, high: Fraction | None, factor: Fraction, offset: Fraction, bits: int, signed: bool
) -> tuple[int, int]:
    """Return the smallest and the largest raw count whose exact physical value lies in [low, high].

    Counts that the signal cannot hold are left out, so a limit that promises no more than the length of
    the signal does gives the whole range. The result is (1, 0), which holds nothing, where no count fits. A
    float comparison would refuse raw 7 at factor 0.1 and limit 0.7; fractions do not.

    Args:
        low: Smallest physical value, None for no limit.
        high: Largest physical value, None for no limit.
        factor: Physical value = raw * factor + offset.
        offset: See `factor`.
        bits: Length of the signal, 1 to 64.
        signed: Two's complement.
    """
    if factor < 0:
        low, high = (None if high is None else -high), (None if low is None else -low)
        factor, offset = -factor, -offset
    raw_low, raw_high = raw_span(bits, signed)
    if not factor:
        inside = (low is None or low <= offset) and (high is None or offset <= high)
        return (raw_low, raw_high) if inside else (1, 0)
    if low is not None:
        above, below = _count(low, factor, offset)
        raw_low = max(raw_low, -(-above // below))
    if high is not None:
        above, below = _count(high, factor, offset)
        raw_high = min(raw_high, above // below)
    return (raw_low, raw_high) if raw_low <= raw_high else (1, 0)


def _count(value: Fraction, factor: Fraction, offset: Fraction) -> tuple[int, int]:
    """Return numerator and denominator, positive, of the raw count of a value, not in lowest terms.

    In integers, as this is asked twice for each signal of a vehicle, and fractions are slow.
    """
    a, b = value.as_integer_ratio()
    c, d = offset.as_integer_ratio()
    e, f = factor.as_integer_ratio()
    return (a * d - c * b) * f, b * d * e
