"""Raw limits: worked by hand, and against the definition, count by count."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canmap.signals.limits import raw_limits


@pytest.mark.parametrize(
    ("low", "high", "scale", "bits", "signed", "expected"),
    [
        # 7 * 0.1 is 0.7 exactly; in floats it is 0.7000000000000001 and would be refused.
        (Fraction(0), Fraction("0.7"), (Fraction("0.1"), Fraction(0)), 8, False, (0, 7)),
        # 0.75 is not a count: 7 is the last below.
        (Fraction(0), Fraction("0.75"), (Fraction("0.1"), Fraction(0)), 8, False, (0, 7)),
        # (-40 + 40) / 0.5 = 0, (87 + 40) / 0.5 = 254.
        (Fraction(-40), Fraction(87), (Fraction("0.5"), Fraction(-40)), 8, False, (0, 254)),
        # A negative factor turns the limits round: -2 * raw in [-10, 3] for raw in [-1.5, 5].
        (Fraction(-10), Fraction(3), (Fraction(-2), Fraction(0)), 8, True, (-1, 5)),
        (Fraction(-10), None, (Fraction(-2), Fraction(0)), 8, True, (-128, 5)),
        # Wider than the signal: nothing is promised beyond its length.
        (Fraction(-1000), Fraction(1000), (Fraction(1), Fraction(0)), 8, True, (-128, 127)),
        (None, None, (Fraction(1), Fraction(0)), 12, False, (0, 4095)),
        # Between two counts, and beyond all of them: no count at all.
        (Fraction("0.4"), Fraction("0.6"), (Fraction(1), Fraction(0)), 8, False, (1, 0)),
        (Fraction(300), Fraction(400), (Fraction(1), Fraction(0)), 8, False, (1, 0)),
        # A factor of 0 gives the offset for every count.
        (Fraction(0), Fraction(5), (Fraction(0), Fraction(5)), 8, False, (0, 255)),
        (Fraction(0), Fraction(4), (Fraction(0), Fraction(5)), 8, False, (1, 0)),
        (None, None, (Fraction(1), Fraction(0)), 64, False, (0, 2**64 - 1)),
        (None, None, (Fraction(1), Fraction(0)), 64, True, (-(2**63), 2**63 - 1)),
        (Fraction(2**70), None, (Fraction(1), Fraction(0)), 64, True, (1, 0)),
    ],
)
def test_by_hand(
    low: Fraction | None,
    high: Fraction | None,
    scale: tuple[Fraction, Fraction],
    bits: int,
    signed: bool,
    expected: tuple[int, int],
) -> None:
    assert raw_limits(low, high, *scale, bits, signed) == expected


decimals = st.integers(-500, 500).map(lambda n: Fraction(n, 10))


@given(st.none() | decimals, st.none() | decimals, decimals, decimals, st.integers(1, 8), st.booleans())
def test_a_count_is_inside_where_its_exact_value_is(
    low: Fraction | None, high: Fraction | None, factor: Fraction, offset: Fraction, bits: int, signed: bool
) -> None:
    first, last = raw_limits(low, high, factor, offset, bits, signed)
    counts = range(-(1 << bits - 1), 1 << bits - 1) if signed else range(1 << bits)
    for raw in counts:
        value = raw * factor + offset
        inside = (low is None or low <= value) and (high is None or value <= high)
        assert inside == (first <= raw <= last)
